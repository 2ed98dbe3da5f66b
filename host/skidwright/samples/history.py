"""What an archive knows of one asset: plain arrays, one row a sample, oldest first, out of all its logs.

`histories` goes through assessed logs once. Memory is linear in the samples (about 210 bytes each). What is
judged over time, printed or exported starts from here.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats
from skidwright.checks import CheckLimits, Verdicts
from skidwright.checks.catalogue import ABSENT, REJECTED, SUSPECT, UNCHECKED, VALID
from skidwright.formulas.iso4406 import scale_numbers_of_counts
from skidwright.log.layouts import Dataset
from skidwright.log.timeline import UNKNOWN_UTC_MS
from skidwright.samples import cold_water
from skidwright.samples.assessment import Assessment
from skidwright.samples.counted import Counted, volume_spread

__all__ = [
    "ABSENT",
    "JUDGED",
    "REJECTED",
    "SUSPECT",
    "UNCHECKED",
    "VALID",
    "History",
    "histories",
    "of_arrays",
]

Bytes = NDArray[np.uint8]
_ML_MIN_PER_UL_S = 0.06
# So many of the newest valid samples are judged, by their median.
JUDGED = 3


@dataclass(frozen=True)
class History:
    """All samples of one asset, oldest first; every array has one row a sample.

    `when` is datetime64[ms] in UTC, NaT where no time is known; such rows come first. `utc_error_ms` is
    its uncertainty, see `skidwright.log.timeline`. `code`, `per_ml` and `counts` have four columns: >=4, >=6,
    >=14, >=21 um(c); a code is 29 above the table and 255 where there is none. Quantities that were not
    measured are NaN. A verdict is VALID, SUSPECT, REJECTED or ABSENT; `reasons` has a bit for each check
    of the catalogue that spoke. `due_day` is when the counter's calibration runs out by the board's own
    settings, in days since 2000-01-01, 0 for unknown. Uncertainties and sensing volumes are by the thresholds
    that each sample was taken with. Sample `i` stands in `logs[which_log[i]]` as `seq[i]`.
    """

    asset: int
    seq: NDArray[np.uint32]
    when: NDArray[np.datetime64]
    utc_error_ms: NDArray[np.int64]
    code: Bytes
    per_ml: Floats
    counts: NDArray[np.uint32]
    volume_ml: Floats
    volume_spread: Floats  # its relative standard uncertainty
    sensing_volume_ml: Floats  # of the counter
    water_percent: Floats
    water_spread_percent: Floats  # its standard uncertainty, see `samples.water_reading`
    temperature_c: Floats
    flow_ml_min: Floats  # three columns: lowest, mean, highest
    counts_verdict: Bytes
    water_verdict: Bytes
    temperature_verdict: Bytes
    metal_verdict: Bytes
    metal: NDArray[np.uint32]  # two columns: ferrous, non-ferrous
    reasons: NDArray[np.uint64]
    due_day: NDArray[np.uint32]
    settings_crc: NDArray[np.uint32]
    which_log: NDArray[np.uint16]
    logs: tuple[Assessment, ...] = field(default=(), repr=False)

    def __len__(self) -> int:
        return len(self.seq)

    @property
    def utc_ms(self) -> NDArray[np.int64]:
        """`when` as milliseconds since 1970; UNKNOWN_UTC_MS of `skidwright.log.timeline` where unknown."""
        return self.when.view(np.int64)

    @property
    def volume_ul(self) -> NDArray[np.int64]:
        """The counted volumes as the whole microlitres that they are, for sums that must be exact."""
        return np.rint(self.volume_ml * 1000).astype(np.int64)

    def counted(self, rows: NDArray[np.intp] | slice) -> Counted:
        """What was counted in some samples, with what it is to be read by."""
        return Counted(
            self.counts[rows], self.volume_ml[rows], self.volume_spread[rows], self.sensing_volume_ml[rows]
        )

    @property
    def verdict(self) -> Bytes:
        """Verdicts as (n, 4): counts, water, temperature, metal."""
        return np.stack(
            [self.counts_verdict, self.water_verdict, self.temperature_verdict, self.metal_verdict], axis=1
        )

    def until(self, moment: np.datetime64) -> "History":
        """What was known at a moment: samples later than that are left out, undated ones stay."""
        end = int(np.searchsorted(self.utc_ms, moment.astype("datetime64[ms]").astype(np.int64), "right"))
        values: dict[str, Any] = {name: getattr(self, name) for name in self.__dataclass_fields__}
        cut: dict[str, Any] = {k: v[:end] if isinstance(v, np.ndarray) else v for k, v in values.items()}
        return History(**cut)

    def log_path(self, row: int) -> Path:
        """The `.skidlog` file in which sample `row` stands. IndexError when no logs were given."""
        return self.logs[int(self.which_log[row])].path


@dataclass
class _Pile:
    """What one asset has so far, piece by piece."""

    columns: dict[str, list[NDArray[np.generic]]] = field(default_factory=dict)
    logs: list[Assessment] = field(default_factory=list)

    def add(self, log: Assessment, **arrays: NDArray[np.generic]) -> None:
        if not self.logs or self.logs[-1] is not log:
            self.logs.append(log)
        arrays["which_log"] = np.full(len(arrays["seq"]), len(self.logs) - 1, np.uint16)
        for name, array in arrays.items():
            self.columns.setdefault(name, []).append(array)

    def whole(self, asset: int) -> History:
        """All columns joined, in order of time; rows without a known time come first."""
        joined = {}
        while self.columns:  # let go of the pieces as they are joined
            name, parts = self.columns.popitem()
            joined[name] = np.concatenate(parts)
        when = joined["when"].view(np.int64)
        if not np.all(when[1:] >= when[:-1]):
            order = np.argsort(when, kind="stable")
            joined = {name: array[order] for name, array in joined.items()}
        return History(asset=asset, logs=tuple(self.logs), **joined)


def histories(logs: Sequence[Assessment], only: Iterable[int] = ()) -> dict[int, History]:
    """The history of each asset, or of those in `only`, that has samples in `logs`, by number.

    Raises OSError when a log cannot be read.
    """
    wanted = set(only)
    piles: dict[int, _Pile] = {}
    for log in logs:
        for piece, verdicts in log.pieces():
            for number, rows in _rows_of(piece.samples["asset"]):
                if not wanted or number in wanted:
                    _take(piles.setdefault(number, _Pile()), log, piece, verdicts, rows)
    return {number: piles.pop(number).whole(number) for number in sorted(piles)}


def _rows_of(assets: NDArray[np.uint16]) -> list[tuple[int, NDArray[np.intp] | slice]]:
    """Each asset of a piece with its rows, found by one sorting however many assets there are."""
    if not len(assets):
        return []
    numbers = np.ascontiguousarray(assets)
    if np.all(numbers == numbers[0]):
        return [(int(numbers[0]), slice(None))]
    order = np.argsort(numbers, kind="stable")
    ranked = numbers[order]
    starts = np.flatnonzero(np.r_[True, ranked[1:] != ranked[:-1]])
    return [
        (int(ranked[start]), rows) for start, rows in zip(starts, np.split(order, starts[1:]), strict=True)
    ]


def _take(
    pile: _Pile, log: Assessment, piece: Dataset, verdicts: Verdicts, rows: NDArray[np.intp] | slice
) -> None:
    samples = piece.samples[rows]
    verdict = verdicts.verdict[rows]
    runs = list(log.thresholds.runs(samples["seq"]))
    many = [len(samples[part]) for part, _ in runs]
    flow = np.stack([samples["flow_min_ul_s"], samples["flow_mean_ul_s"], samples["flow_max_ul_s"]], axis=1)
    pile.add(
        log,
        seq=samples["seq"].astype(np.uint32),
        when=verdicts.utc_ms[rows].astype(np.int64).view("datetime64[ms]"),  # UNKNOWN_UTC_MS is NaT
        utc_error_ms=verdicts.utc_error_ms[rows].astype(np.int64),
        code=verdicts.codes[rows].astype(np.uint8),
        per_ml=verdicts.per_ml[rows].astype(np.float64),
        counts=samples["counts"].astype(np.uint32),
        volume_ml=samples["volume_ul"] / 1000,
        volume_spread=np.repeat([volume_spread(limits) for _, limits in runs], many),
        sensing_volume_ml=np.repeat([float(limits.sensing_volume_ml) for _, limits in runs], many),
        water_percent=verdicts.water_percent[rows].astype(np.float64),
        water_spread_percent=np.concatenate(
            [cold_water.uncertainty_percent(samples[part], log.settings, limits) for part, limits in runs]
        ),
        temperature_c=np.where(verdict[:, 2] == ABSENT, np.nan, samples["temp_mean_cdeg"] / 100),
        flow_ml_min=flow * _ML_MIN_PER_UL_S,
        counts_verdict=verdict[:, 0].astype(np.uint8),
        water_verdict=verdict[:, 1].astype(np.uint8),
        temperature_verdict=verdict[:, 2].astype(np.uint8),
        metal_verdict=verdict[:, 3].astype(np.uint8),
        metal=samples["metal"].astype(np.uint32),
        reasons=verdicts.reasons[rows].astype(np.uint64),
        due_day=samples["calibration_due_day"].astype(np.uint32),
        settings_crc=samples["settings_crc"].astype(np.uint32),
    )


def of_arrays(
    when: ArrayLike,
    counts: ArrayLike | None = None,
    volume_ml: ArrayLike = 30.0,
    water_percent: ArrayLike | None = None,
    water_spread_percent: ArrayLike = 0.0,
    temperature_c: ArrayLike | None = None,
    metal: ArrayLike | None = None,
    counts_verdict: ArrayLike | None = None,
    water_verdict: ArrayLike | None = None,
    asset: int = 1,
    seq: ArrayLike | None = None,
    limits: CheckLimits | None = None,
) -> History:
    """A history out of plain arrays, oldest first: for data from elsewhere, benches and tests.

    `when` is datetime64 (n,), `counts` whole numbers (n, 4) in `volume_ml`, read by `limits`; the volume is
    above 0 and taken to the microlitre; `per_ml` is as counted; `metal` is (n, 2). What is left out was not
    measured; the rest is valid unless a verdict says otherwise.
    ValueError when shapes do not fit.
    """
    moments = np.asarray(when).astype("datetime64[ms]")
    n = len(moments)
    volume_ul = np.rint(np.broadcast_to(np.asarray(volume_ml, np.float64), (n,)) * 1000).astype(np.int64)
    raw = np.zeros((n, 4), np.uint32) if counts is None else np.asarray(counts).astype(np.uint32)
    if raw.shape != (n, 4):
        raise ValueError(f"counts: {raw.shape} is not one row of four for each of {n} samples")
    pieces = np.zeros((n, 2), np.uint32) if metal is None else np.asarray(metal).astype(np.uint32)
    if pieces.shape != (n, 2):
        raise ValueError(f"metal: {pieces.shape} is not one row of two for each of {n} samples")

    def values(given: ArrayLike | None) -> Floats:
        return np.broadcast_to(np.asarray(np.nan if given is None else given, np.float64), (n,)).copy()

    def verdicts(given: ArrayLike | None, measured: bool) -> Bytes:
        usual = VALID if measured else ABSENT
        return np.broadcast_to(np.asarray(usual if given is None else given, np.uint8), (n,)).copy()

    return History(
        asset=asset,
        seq=np.arange(n, dtype=np.uint32) if seq is None else np.asarray(seq).astype(np.uint32),
        when=moments,
        utc_error_ms=np.zeros(n, np.int64),
        code=scale_numbers_of_counts(raw, volume_ul[:, None]).astype(np.uint8),
        per_ml=raw * 1000.0 / volume_ul[:, None],
        counts=raw,
        volume_ml=volume_ul / 1000,
        volume_spread=np.full(n, volume_spread(limits or CheckLimits())),
        sensing_volume_ml=np.full(n, (limits or CheckLimits()).sensing_volume_ml),
        water_percent=values(water_percent),
        water_spread_percent=values(water_spread_percent),
        temperature_c=values(temperature_c),
        flow_ml_min=np.full((n, 3), np.nan),
        counts_verdict=verdicts(counts_verdict, counts is not None),
        water_verdict=verdicts(water_verdict, water_percent is not None),
        temperature_verdict=verdicts(None, temperature_c is not None),
        metal_verdict=verdicts(None, metal is not None),
        metal=pieces,
        reasons=np.zeros(n, np.uint64),
        due_day=np.zeros(n, np.uint32),
        settings_crc=np.zeros(n, np.uint32),
        which_log=np.zeros(n, np.uint16),
    )


assert np.isnat(np.array([UNKNOWN_UTC_MS]).view("datetime64[ms]")[0])
