"""Sums of verdicts over logs of any size, and single samples as plain rows."""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from skidboard import records

from skidwright.checks import CATALOGUE, QUANTITIES, WORDS, CheckLimits, Verdicts
from skidwright.checks.catalogue import ids_of
from skidwright.checks.check import SEVERITY_WORDS
from skidwright.checks.readings import by_code
from skidwright.config import Config
from skidwright.formulas import iso4406, water
from skidwright.log.chain import ChainResult
from skidwright.log.damage import MAX_FINDINGS
from skidwright.log.layouts import Dataset
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS
from skidwright.meanings.faults import FAULTS
from skidwright.samples import cold_water
from skidwright.samples import counted as samples_counted
from skidwright.samples.assessment import Assessment
from skidwright.samples.counted import read_by

_FEW = iso4406.FEW_PARTICLES
_AT_A_TIME = 2000
_FAULTS = {fault.number: fault for fault in FAULTS}
_BY_COMMAND = 0xFFFF  # in place of a fault's number


class Tally:
    """Counts verdicts and reasons, for all assets or those in `only`, while samples pass through `rows`."""

    words = WORDS
    quantities = QUANTITIES

    def __init__(self, config: Config, only: set[int] | None = None) -> None:
        self._config = config
        self._only = only or set()
        self._verdicts: dict[int, np.ndarray[Any, np.dtype[np.int64]]] = {}
        self._reasons = np.zeros(len(CATALOGUE), np.int64)

    def rows(self, log: Assessment, each: bool) -> Iterator[dict[str, Any]]:
        """Take a log. With `each` every sample is given as a plain row, else only counted. Raises OSError."""
        for piece, verdicts in log.pieces():
            numbers = piece.samples["asset"]
            chosen = np.isin(numbers, list(self._only)) if self._only else np.ones(len(numbers), np.bool_)
            for number in np.unique(numbers[chosen]).tolist():
                self._count(number, verdicts.verdict[(numbers == number) & chosen])
            self._count_reasons(verdicts.reasons[chosen])
            if each:
                yield from self._each(log, piece, verdicts, np.flatnonzero(chosen))

    def _each(
        self,
        log: Assessment,
        piece: Dataset,
        verdicts: Verdicts,
        chosen: "np.ndarray[Any, np.dtype[np.intp]]",
    ) -> Iterator[dict[str, Any]]:
        """Chosen samples of a piece as rows, so many at a time that the table of chances stays small."""
        for part, limits in _parts(log, piece, chosen):
            counts, volume_ml = piece.samples["counts"][part], piece.samples["volume_ul"][part] * 1e-3
            left_over, settled = verdicts.left_over_per_ml[part], verdicts.settled_share[part]
            counted = read_by(limits, counts, volume_ml)
            low, high = samples_counted.limits_per_ml(counted, left_over, settled)
            chances = samples_counted.number_texts(counted)
            water_off = cold_water.uncertainty_percent(piece.samples[part], log.settings, limits)
            for k, i in enumerate(part.tolist()):
                row = row_of(piece, verdicts, i)
                row["limits_per_ml"] = [_span(*ends) for ends in zip(low[k], high[k], strict=True)]
                row["scale_number_chances"] = chances[k]
                row["water_uncertainty_percent"] = (
                    None if np.isnan(water_off[k]) else round(float(water_off[k]), 2)
                )
                if by_code(piece.samples)[i]:
                    # what chance leaves open of a code nobody can say
                    row["limits_per_ml"], row["scale_number_chances"] = [None] * len(low[k]), []
                row |= self._water_row(log, row)
                yield row

    def _water_row(self, log: Assessment, row: dict[str, Any]) -> dict[str, Any]:
        """Temperature below which a sample's water would come out free, and whose constants say so."""
        asset = row["asset"]
        own = log.solubility(asset, row["sequence_number"], self._config.asset(asset).solubility)
        fluid = own or water.PUBLISHED[water.DEFAULT]
        percent, warm_c = row["water_percent"], row["temperature_c"]
        below = None
        if percent is not None and warm_c is not None and percent > 0:
            below = round(float(water.free_water_below_c(percent, warm_c, fluid)), 1)
        return {"free_water_below_c": below, "water_constants": fluid.name}

    def _count(self, asset: int, verdict: "np.ndarray[Any, np.dtype[np.uint8]]") -> None:
        sums = self._verdicts.setdefault(asset, np.zeros((len(QUANTITIES), len(WORDS)), np.int64))
        for q in range(len(QUANTITIES)):
            sums[q] += np.bincount(verdict[:, q], minlength=len(WORDS))

    def _count_reasons(self, reasons: "np.ndarray[Any, np.dtype[np.uint64]]") -> None:
        spoke = int(np.bitwise_or.reduce(reasons)) if len(reasons) else 0
        for bit in range(len(CATALOGUE)):
            if spoke >> bit & 1:
                self._reasons[bit] += int((reasons >> np.uint64(bit) & np.uint64(1)).sum())

    def answer(self, logs: Sequence[Assessment]) -> dict[str, Any]:
        """Everything counted, as plain tables."""
        totals = sum(self._verdicts.values(), np.zeros((len(QUANTITIES), len(WORDS)), np.int64))
        return {
            "logs": [log_row(log) for log in logs],
            "totals": _by_quantity(totals),
            "assets": [
                {"asset": number, "name": self._config.asset(number).name, **_by_quantity(sums)}
                for number, sums in sorted(self._verdicts.items())
            ],
            "not_taken": self._not_taken(logs),
            "reasons": self._reason_rows(),
        }

    def _not_taken(self, logs: Sequence[Assessment]) -> list[dict[str, Any]]:
        """Cycles that ended without a sample: how many of each asset for each cause, and when."""
        found: dict[tuple[int, int], list[int]] = {}
        for log in logs:
            utc_ms = log.event_times()[0]
            for i in np.flatnonzero(log.events["kind"] == records.SKIPPED).tolist():
                asset = int(log.events["asset"][i])
                if not self._only or asset in self._only:
                    found.setdefault((asset, int(log.events["code"][i])), []).append(int(utc_ms[i]))
        rows = []
        for (asset, code), times in sorted(found.items()):
            fault = _FAULTS.get(code)
            why = "given up by command" if code == _BY_COMMAND else f"fault {code}"
            rows.append(
                {
                    "asset": asset,
                    "name": self._config.asset(asset).name,
                    "why": fault.name if fault else why,
                    "cycles": len(times),
                    "first_utc": _utc(min(times)),
                    "last_utc": _utc(max(times)),
                    "remedy": fault.remedy if fault else "Nothing to remedy.",
                }
            )
        return rows

    def _reason_rows(self) -> list[dict[str, Any]]:
        order = sorted(
            np.flatnonzero(self._reasons).tolist(), key=lambda b: (-CATALOGUE[b].severity, -self._reasons[b])
        )
        return [
            {
                "check": CATALOGUE[bit].id,
                "quantities": ", ".join(
                    n for q, n in enumerate(QUANTITIES) if CATALOGUE[bit].quantities >> q & 1
                ),
                "verdict": SEVERITY_WORDS[CATALOGUE[bit].severity],
                "samples": int(self._reasons[bit]),
                "looks_at": CATALOGUE[bit].looks_at,
                "remedy": CATALOGUE[bit].remedy,
            }
            for bit in order
        ]

    def fell_short(self, logs: Sequence[Assessment]) -> bool:
        """True when a sample was rejected for a quantity, or a log is damaged, incomplete or empty, or
        not chained with the key that its board has.
        """
        rejected = any(sums[:, WORDS.index("rejected")].any() for sums in self._verdicts.values())
        return rejected or any(
            not log.report.ok or not log.report.records or log.chain.unchained for log in logs
        )


def _parts(
    log: Assessment, piece: Dataset, chosen: "np.ndarray[Any, np.dtype[np.intp]]"
) -> "Iterator[tuple[np.ndarray[Any, np.dtype[np.intp]], CheckLimits]]":
    """Chosen samples, some at a time and read by the same thresholds."""
    for run, limits in log.thresholds.runs(piece.samples["seq"][chosen]):
        for start in range(run.start, run.stop, _AT_A_TIME):
            yield chosen[start : min(start + _AT_A_TIME, run.stop)], limits


def _by_quantity(sums: "np.ndarray[Any, np.dtype[np.int64]]") -> dict[str, dict[str, int]]:
    return {name: dict(zip(WORDS, sums[q].tolist(), strict=True)) for q, name in enumerate(QUANTITIES)}


def log_row(log: Assessment) -> dict[str, Any]:
    """A log as a plain row: its size, and what is wrong with it."""
    report = log.report
    wrong = "; ".join(f"{count} x {kind}" for kind, count in report.totals.items())
    return {
        "device": log.path.parent.name,
        "log": log.path.stem,
        "path": str(log.path),
        "records": report.records,
        "samples": report.samples,
        "events": report.events,
        "segments": report.segments,
        "damaged_records": report.damaged_records,
        "missing_records": report.missing_records,
        "chain_links": log.chain.links,
        "chain_ok": log.chain.ok,
        "chain_keyed_links": log.chain.keyed,
        "chain_links_without_key": log.chain.without_key,
        "protection": log.chain.protection,
        "clock_contacts": len(log.timeline.contacts),
        "clock_contacts_rejected": len(log.timeline.rejected),
        "integrity": wrong or _integrity(report.segments, log.chain),
        "salvaged_from": log.salvaged_from,
        "lost": [str(loss) for loss in log.losses[:MAX_FINDINGS]],
        "findings": [str(finding) for finding in report.findings],
    }


def _integrity(segments: int, chain: ChainResult) -> str:
    """What can be said of a log in which nothing was found wrong."""
    if segments == 0:
        return "empty: nothing to verify"
    if chain.without_key:
        tried = f", {chain.links:,} links hold" if chain.links else ""
        return (
            f"no record is damaged{tried}, but {chain.without_key:,} keyed links were NOT tried: no key was "
            "given (--key)"
        )
    if chain.links == 0 and segments == 1:
        return "no record is damaged; one segment, so no link of the chain yet"
    if chain.links == 0:
        return f"no record is damaged, but none of {chain.untried:,} links of the chain could be tried"
    return f"all verified, {chain.links:,} links of the chain hold"


def _utc(utc_ms: int) -> str | None:
    """ISO 8601 to the second; None where the time is not known."""
    return None if utc_ms == UNKNOWN_UTC_MS else f"{np.datetime64(utc_ms // 1000, 's')}Z"


def _span(low: float, high: float) -> list[float | None] | None:
    """Limits of a concentration as a pair; None for ones not known, and for an upper limit without end."""
    if np.isnan(low):
        return None
    return [float(f"{low:.4g}"), float(f"{high:.4g}") if np.isfinite(high) else None]


def row_of(piece: Dataset, verdicts: Verdicts, i: int) -> dict[str, Any]:
    """Sample `i` of a piece as a plain row; None for what is not known."""
    sample = piece.samples[i]
    coded = bool(by_code(piece.samples)[i])
    utc_ms, error_ms = int(verdicts.utc_ms[i]), int(verdicts.utc_error_ms[i])
    absent = WORDS.index("not measured")
    verdict = verdicts.verdict[i]
    water = float(verdicts.water_percent[i])
    needed_ul = float(verdicts.purge_needed_ul[i])
    return {
        "sequence_number": int(sample["seq"]),
        "utc": _utc(utc_ms),
        "utc_uncertainty_s": None if error_ms == UNBOUNDED_MS else error_ms / 1000,
        "asset": int(sample["asset"]),
        "run": int(sample["run"]),
        "iso4406_code": iso4406.code_texts(
            verdicts.codes[i : i + 1, :3], (sample["counts"][:3] < _FEW) & (not coded)
        )[0],
        "per_ml": [None if np.isnan(x) else round(float(x), 4) for x in verdicts.per_ml[i]],
        "counts": None if coded else sample["counts"].tolist(),
        "volume_ml": int(sample["volume_ul"]) / 1000,
        "purge_ml": int(sample["purge_ul"]) / 1000,
        "purge_needed_ml": None if np.isnan(needed_ul) else round(needed_ul / 1000, 1),
        "flow_ml_min": [round(int(sample[f"flow_{k}_ul_s"]) * 0.06, 2) for k in ("min", "mean", "max")],
        "out_of_band_s": int(sample["out_of_band_ms"]) / 1000,
        "water_percent": None if np.isnan(water) else round(water, 2),
        "temperature_c": None if verdict[2] == absent else int(sample["temp_mean_cdeg"]) / 100,
        "verdict": {name: WORDS[verdict[q]] for q, name in enumerate(QUANTITIES)},
        "reasons": ids_of(int(verdicts.reasons[i])),
    }
