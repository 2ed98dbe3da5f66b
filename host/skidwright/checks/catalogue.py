"""The catalogue of checks, every rule that can speak against a sample in one table, and the verdicts
it leads to:
valid, suspect, rejected or not measured for each quantity, with the checks that said so.
Each topic's rows stand beside its tests; `docs/checks.md` is made from the whole."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.checks import bursts, calibrations, counting, fault_bits, flow, loops, record
from skidwright.checks.check import NOTE, QUANTITIES, Check

CATALOGUE: tuple[Check, ...] = (
    *record.CHECKS,
    *calibrations.CHECKS,
    *fault_bits.CHECKS,
    *flow.CHECKS,
    *counting.CHECKS,
    *bursts.CHECKS,
    *loops.CHECKS,
)
BY_ID = {check.id: check for check in CATALOGUE}


VALID, SUSPECT, REJECTED, ABSENT, UNCHECKED = 0, 1, 2, 3, 4
WORDS = ("valid", "suspect", "rejected", "not measured", "cannot be checked")


@dataclass(frozen=True)
class Verdicts:
    """Verdicts on `n` samples, in the order of the samples.

    verdict: (n, 4) uint8 for counts, water, temperature, metal: VALID, SUSPECT, REJECTED,
    ABSENT or UNCHECKED.
    reasons: (n,) uint64, bit i set where `CATALOGUE[i]` spoke.
    per_ml: (n, 4) particles per mL >=4, >=6, >=14, >=21 um(c), corrected for coincidence; NaN where refused.
    left_over_per_ml: (n, 4) what to add to a concentration as counted if as much of the fluid sampled before
    was left in the line as laminar flow can leave; below 0 where that fluid was dirtier.
    purge_needed_ul: (n,) purge that would have done where `purge-carryover` spoke, else NaN.
    settled_share: (n, 4) share of each channel's particles that may have settled before the counter; 0 where
    nothing is known of the line.
    codes: (n, 4) scale numbers of `per_ml`, recomputed; 29 above the table, 255 where there is none.
    loss: (n, 4) share of particles lost to coincidence, NaN where refused.
    water_percent: (n,) mean water saturation by the settings in force, NaN where the loop had failed.
    utc_ms, utc_error_ms: (n,) int64, see `skidwright.log.timeline`.
    """

    verdict: NDArray[np.uint8]
    reasons: NDArray[np.uint64]
    per_ml: NDArray[np.float64]
    left_over_per_ml: NDArray[np.float32]
    purge_needed_ul: NDArray[np.float64]
    settled_share: NDArray[np.float32]
    codes: NDArray[np.uint8]
    loss: NDArray[np.float64]
    water_percent: NDArray[np.float64]
    utc_ms: NDArray[np.int64]
    utc_error_ms: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.reasons)

    def part(self, rows: slice | NDArray[np.generic]) -> "Verdicts":
        """Verdicts on some of the samples: a slice, a mask or indices."""
        return Verdicts(**{name: getattr(self, name)[rows] for name in self.__dataclass_fields__})

    def hit(self, check_id: str) -> NDArray[np.bool_]:
        """Where the check of that id spoke; KeyError when there is none."""
        for bit, check in enumerate(CATALOGUE):
            if check.id == check_id:
                return np.asarray((self.reasons >> np.uint64(bit)) & np.uint64(1) == 1)
        raise KeyError(check_id)

    def reason_ids(self, row: int, notes: bool = True) -> list[str]:
        """Ids of the checks that spoke on one sample, in the catalogue's order; mere notes are optional."""
        return ids_of(int(self.reasons[row]), notes)

    def totals(self) -> dict[str, dict[str, int]]:
        """How many samples are valid, suspect, rejected, not measured, for each quantity by name."""
        return {
            name: dict(
                zip(WORDS, np.bincount(self.verdict[:, q], minlength=len(WORDS)).tolist(), strict=True)
            )
            for q, name in enumerate(QUANTITIES)
        }

    def check_totals(self) -> dict[str, int]:
        """How many samples each check spoke on, by id, checks that never did left out."""
        totals = {check.id: int(self.hit(check.id).sum()) for check in CATALOGUE}
        return {name: count for name, count in totals.items() if count}


def ids_of(reasons: int, notes: bool = True) -> list[str]:
    """Check ids of one sample's `reasons`."""
    return [c.id for i, c in enumerate(CATALOGUE) if reasons >> i & 1 and (notes or c.severity != NOTE)]


def join(parts: list[Verdicts]) -> Verdicts:
    """Verdicts of consecutive stretches as one. ValueError for an empty list."""
    if len(parts) == 1:
        return parts[0]
    names = Verdicts.__dataclass_fields__
    return Verdicts(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})
