"""Brings an asset's samples, verdicts, events and the state of its logs together for a report."""

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skidwright.assessment import Assessment
from skidwright.checks import Verdicts
from skidwright.config import Config
from skidwright.decoded import Dataset
from skidwright.report import exclusions, excursions, happenings, statements
from skidwright.report.model import ABSENT, AssetReport, ExcludedReason, Samples
from skidwright.timeline import UNKNOWN_UTC_MS

_DAY_ZERO = datetime.date(2000, 1, 1)
_ML_MIN_PER_UL_S = 0.06


@dataclass
class _Pile:
    """What one asset has so far, piece by piece."""

    columns: dict[str, list[NDArray[np.generic]]] = field(default_factory=dict)
    logs: list[Assessment] = field(default_factory=list)

    def add(self, log: Assessment, **arrays: NDArray[np.generic]) -> None:
        if log not in self.logs:
            self.logs.append(log)
        for name, array in arrays.items():
            self.columns.setdefault(name, []).append(array)

    def whole(self) -> dict[str, NDArray[np.generic]]:
        """All columns joined, in order of time; rows without a known time come first."""
        joined = {name: np.concatenate(parts) for name, parts in self.columns.items()}
        when = joined["utc_ms"]
        if np.all(when[1:] >= when[:-1]):
            return joined
        order = np.argsort(when, kind="stable")
        return {name: array[order] for name, array in joined.items()}


def gather(logs: Sequence[Assessment], config: Config, only: Iterable[int] = ()) -> list[AssetReport]:
    """A report's content for each asset (or those in `only`) that has samples in the logs.

    Raises OSError when a log cannot be read.
    """
    wanted = set(only)
    piles: dict[int, _Pile] = {}
    for log in logs:
        for piece, verdicts in log.pieces():
            for number in np.unique(piece.samples["asset"]).tolist():
                if not wanted or number in wanted:
                    _take(piles.setdefault(number, _Pile()), log, piece, verdicts, number)
    numbers = sorted(piles, key=lambda n: (list(config.assets).index(n) if n in config.assets else 99, n))
    return [_report(piles[n].whole(), piles[n].logs, config, n) for n in numbers]


def _take(pile: _Pile, log: Assessment, piece: Dataset, verdicts: Verdicts, asset: int) -> None:
    of_asset = piece.samples["asset"] == asset
    rows: NDArray[np.intp] | slice = slice(None) if of_asset.all() else np.flatnonzero(of_asset)
    samples = piece.samples[rows]
    verdict = verdicts.verdict[rows]
    flow = np.stack([samples["flow_min_ul_s"], samples["flow_mean_ul_s"], samples["flow_max_ul_s"]], axis=1)
    pile.add(
        log,
        seq=samples["seq"].copy(),
        utc_ms=verdicts.utc_ms[rows],
        utc_error_ms=verdicts.utc_error_ms[rows],
        code=verdicts.codes[rows],
        per_ml=verdicts.per_ml[rows],
        counts=samples["counts"].copy(),
        volume_ml=samples["volume_ul"] / 1000,
        water_percent=verdicts.water_percent[rows],
        temperature_c=np.where(verdict[:, 2] == ABSENT, np.nan, samples["temp_mean_cdeg"] / 100),
        flow_ml_min=flow * _ML_MIN_PER_UL_S,
        verdict=verdict,
        reasons=verdicts.reasons[rows],
        metal=samples["metal"].copy(),
        due_day=samples["calibration_due_day"].copy(),
        settings_crc=samples["settings_crc"].copy(),
    )


def _report(
    columns: dict[str, NDArray[np.generic]],
    logs: Sequence[Assessment],
    config: Config,
    number: int,
) -> AssetReport:
    utc_ms = columns["utc_ms"].astype(np.int64)
    verdict = columns["verdict"].astype(np.uint8)
    samples = Samples(
        seq=columns["seq"].astype(np.uint32),
        when=utc_ms.view("datetime64[ms]"),  # UNKNOWN_UTC_MS is NaT
        code=columns["code"].astype(np.uint8),
        per_ml=columns["per_ml"].astype(np.float64),
        counts=columns["counts"].astype(np.uint32),
        volume_ml=columns["volume_ml"].astype(np.float64),
        water_percent=columns["water_percent"].astype(np.float64),
        temperature_c=columns["temperature_c"].astype(np.float64),
        flow_ml_min=columns["flow_ml_min"].astype(np.float64),
        counts_verdict=np.ascontiguousarray(verdict[:, 0]),
        water_verdict=np.ascontiguousarray(verdict[:, 1]),
        temperature_verdict=np.ascontiguousarray(verdict[:, 2]),
        metal_verdict=np.ascontiguousarray(verdict[:, 3]),
        metal=columns["metal"].astype(np.uint32),
    )
    told = excursions.of(samples, config.asset(number))
    skipped: list[ExcludedReason] = []
    for log in logs:
        times = log.event_times()[0]
        told += happenings.of_asset(log.events, times, log.boot_ends(), number)
        skipped += happenings.skipped(log.events, times, number)
    reasons = columns["reasons"].astype(np.uint64)
    exclusion = exclusions.of(utc_ms, samples.seq, verdict, reasons)
    due = int(columns["due_day"][-1])
    return AssetReport(
        asset=config.asset(number),
        counter=config.counter,
        band_ml_min=_band(logs[-1], int(columns["settings_crc"][-1]), config),
        samples=samples,
        integrity=statements.integrity(
            logs, utc_ms, columns["utc_error_ms"].astype(np.int64), exclusion.notes
        ),
        happenings=happenings.lettered(told),
        happenings_total=len(told),
        reasons=exclusion.reasons + skipped,
        excluded=exclusion.newest,
        excluded_total=exclusion.samples,
        calibration_due=_DAY_ZERO + datetime.timedelta(days=due) if due else config.counter.calibration_due,
        note=config.note,
        limits=config.limits(),
    )


def _band(log: Assessment, settings_crc: int, config: Config) -> tuple[float, float]:
    """The counter's band in mL/min: from skid.toml, else from the settings of the newest sample."""
    if config.counter.band_ml_min:
        return config.counter.band_ml_min
    found = log.settings.of(settings_crc) or log.settings.fallback
    low, high = (round(found[f"flow_{end}_ul_s"] * _ML_MIN_PER_UL_S, 1) for end in ("low", "high"))
    return low, high


assert np.isnat(np.array([UNKNOWN_UTC_MS]).view("datetime64[ms]")[0])
