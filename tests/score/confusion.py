"""What was truly present in each sample, against what the checks said of it. Pure: arrays in, counts out."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from score.join import Facts
from skidwright.arrays import Mask
from skidwright.checks import CATALOGUE, VALID, CheckLimits, Verdicts
from skidwright.formulas.counting import Interval
from skidwright.samples.counted import limits_per_ml, read_by
from skidwright.sim.scenario import FAULT_BITS
from skidwright.sim.truth import Rows

# From so many counts on exact Poisson limits cover about what they state; with fewer they cover more.
MANY_COUNTS = 50
ALL_VALID, NOTHING_WRONG = "valid", "valid, nothing wrong"
MANY = f"valid, nothing wrong, {MANY_COUNTS} counts and more"
METER_WRONG, CARRIED_OVER, UNSTEADY, COINCIDENT, SETTLED = 0.05, 0.10, 0.06, 0.05, 0.10
_COUNT_CLASSES = (0, 10, 50, 1000, 10_000, np.inf)
_CHANNELS = (">=4", ">=6", ">=14", ">=21 um(c)")

# What each condition is in the plant's truth, for people.
CONDITIONS = {
    "flow out of band": "true mean flow of a second outside the counter's band",
    "flow unsteady": "true flow of a second spread by more than 6 % of its mean",
    "air": "bubbles counted",
    "droplets": "water droplets counted",
    "coincidence": "more than 5 % of the particles >=4 um(c) lost to coincidence",
    "settling": "more than 10 % of the particles of a channel settled on the way",
    "meter wrong": "counted volume off by more than 5 %",
    "swapped channels": "two channels' wires swapped",
    "carry-over": "a channel at the counter off by more than 10 % from the machine, by the fluid before",
    "dead channel": "a channel's wire broken",
    "water loop broken": "the water loop's wire broken",
}
# The conditions that a check is there for. Checks without any are counted where they spoke.
MEANT_FOR = {
    "flow-band": ("flow out of band",),
    "flow-unsteady": ("flow unsteady", "air"),
    "meter-pump": ("meter wrong",),
    "purge-short": ("carry-over",),
    "purge-carryover": ("carry-over",),
    "settling": ("settling",),
    "channel-order": ("swapped channels", "dead channel"),
    "channel-dead": ("dead channel",),
    "size-slope": ("swapped channels", "dead channel", "air"),
    "coincidence": ("coincidence",),
    "bursts-4um": ("air", "carry-over"),
    "bursts-14um": ("air",),
    "air": ("air",),
    "air-more": ("air",),
    "droplets": ("droplets",),
    "free-water": ("droplets",),
    "water-loop": ("water loop broken",),
    "water-fault": ("water loop broken",),
}
_COUNTS, _WATER = 0, 1


def conditions(known: Facts, recorded_ml: NDArray[np.float64], band_ml_s: tuple[float, float],
               sensing_volume_ml: float) -> dict[str, Mask]:  # fmt: skip
    """Which of `CONDITIONS` was truly present in each sample; nothing where the truth was not found."""

    def scripted(kind: str) -> Mask:
        return np.asarray((known.faults & FAULT_BITS[kind]) != 0)

    with np.errstate(invalid="ignore", divide="ignore"):
        spread = known.flow_high_ml_s - known.flow_low_ml_s
        lost = 1 - known.sensor_per_ml / known.tank_per_ml
        settling = scripted("settling")
        everything_per_ml = known.sensor_per_ml[:, 0] + known.droplets_per_ml
        present = {
            "flow out of band": known.out_of_band(*band_ml_s),
            "flow unsteady": spread > UNSTEADY * (known.flow_high_ml_s + known.flow_low_ml_s) / 2,
            "air": known.bubbles > 0,
            "droplets": known.droplets_per_ml > 0,
            "coincidence": -np.expm1(-everything_per_ml * sensing_volume_ml) > COINCIDENT,
            "settling": settling & (lost > SETTLED).any(axis=1),
            "meter wrong": np.abs(known.volume_ml / recorded_ml - 1) > METER_WRONG,
            "swapped channels": scripted("swapped_channels"),
            "carry-over": (np.abs(lost) > CARRIED_OVER).any(axis=1) & ~settling,
            "dead channel": scripted("dead_channel"),
            "water loop broken": known.water_broken,
        }
    return {name: np.asarray(mask & known.found) for name, mask in present.items()}


@dataclass
class Confusion:
    """Counts, added up over samples.

    checks: {check: Counter of detected, missed, false, quiet, elsewhere}; for checks of no condition, spoke
    only. missed_valid: missed, and no other check spoke either. false: nothing at all was wrong with the
    sample; elsewhere: something was, but not what the check is meant for.
    by_condition: {condition: Counter of samples, not_valid}: whether anything at all kept the sample from
    being valid. sound: samples with no condition, and how many of them were not valid.
    coverage: {stratum: Counter of limits, machine, counter}: stated limits, and how many of them held
    the true concentration in the machine and at the counter.
    """

    samples: int = 0
    unplaced: int = 0
    valid: int = 0
    checks: dict[str, Counter[str]] = field(default_factory=dict)
    by_condition: dict[str, Counter[str]] = field(default_factory=dict)
    sound: Counter[str] = field(default_factory=Counter)
    coverage: dict[str, Counter[str]] = field(default_factory=dict)

    def add(self, other: Confusion) -> None:
        """Add another one to this one."""
        self.samples += other.samples
        self.unplaced += other.unplaced
        self.valid += other.valid
        self.sound.update(other.sound)
        for name in ("checks", "by_condition", "coverage"):
            mine: dict[str, Counter[str]] = getattr(self, name)
            for key, counts in getattr(other, name).items():
                mine.setdefault(key, Counter()).update(counts)

    def plain(self) -> dict[str, Any]:
        """As plain tables."""
        tables = {
            name: {key: dict(counts) for key, counts in getattr(self, name).items()}
            for name in ("checks", "by_condition", "coverage")
        }
        return {"samples": self.samples, "unplaced": self.unplaced, "valid": self.valid,
                "sound": dict(self.sound), **tables}  # fmt: skip


def of_plain(table: dict[str, Any]) -> Confusion:
    """The confusion behind what `Confusion.plain` gave. Raises KeyError and TypeError for anything else."""
    out = Confusion(table["samples"], table["unplaced"], table["valid"], sound=Counter(table["sound"]))
    for name in ("checks", "by_condition", "coverage"):
        setattr(out, name, {key: Counter(counts) for key, counts in table[name].items()})
    return out


def confusion(samples: Rows, verdicts: Verdicts, known: Facts, limits: CheckLimits,
              band_ml_s: tuple[float, float]) -> Confusion:  # fmt: skip
    """Compare the verdicts on `samples` with the truth about them."""
    present = conditions(known, samples["volume_ul"] * 1e-3, band_ml_s, limits.sensing_volume_ml)
    found = known.found
    out = Confusion(samples=len(samples), unplaced=int((~found).sum()))
    anything = np.logical_or.reduce(list(present.values()))
    valid = found & (verdicts.verdict[:, _COUNTS] == VALID)
    out.valid = int(valid.sum())
    water_valid = found & (verdicts.verdict[:, _WATER] == VALID)
    for check in CATALOGUE:
        hit = verdicts.hit(check.id) & found
        meant = MEANT_FOR.get(check.id)
        if meant is None:
            out.checks[check.id] = Counter(spoke=int(hit.sum()))
            continue
        there = np.logical_or.reduce([present[name] for name in meant])
        passed = water_valid if "water loop broken" in meant else valid
        out.checks[check.id] = Counter(
            detected=int((hit & there).sum()),
            missed=int((~hit & there & found).sum()),
            missed_valid=int((~hit & there & found & passed).sum()),
            false=int((hit & ~there & ~anything).sum()),
            elsewhere=int((hit & ~there & anything).sum()),
            quiet=int((~hit & ~there & found).sum()),
        )
    for name, mask in present.items():
        kept = valid if name != "water loop broken" else water_valid
        out.by_condition[name] = Counter(samples=int(mask.sum()), not_valid=int((mask & ~kept).sum()))
    # the water loop says nothing against counts
    wrong = [mask for name, mask in present.items() if name != "water loop broken"]
    sound = found & ~np.logical_or.reduce(wrong)
    out.sound = Counter(samples=int(sound.sum()), not_valid=int((sound & ~valid).sum()))
    out.coverage = _coverage(samples, verdicts, known, limits, valid, valid & sound)
    return out


def _coverage(samples: Rows, verdicts: Verdicts, known: Facts, limits: CheckLimits, valid: Mask,
              sound: Mask) -> dict[str, Counter[str]]:  # fmt: skip
    """How many of the 95 % limits of valid samples hold the truth, by stratum.

    Limits with what the line may have left over and let settle are held against the machine, those without
    against what flowed through the counter.
    """
    counts = samples["counts"]
    counted = read_by(limits, counts, samples["volume_ul"] * 1e-3)
    line = (verdicts.left_over_per_ml, verdicts.settled_share)
    machine = _hold(limits_per_ml(counted, *line), known.tank_per_ml)
    counter = _hold(limits_per_ml(counted), known.sensor_per_ml)
    everywhere = np.ones_like(counts, dtype=np.bool_)
    strata = {
        ALL_VALID: valid[:, None] & everywhere,
        NOTHING_WRONG: sound[:, None] & everywhere,
        MANY: sound[:, None] & (counts >= MANY_COUNTS),
    }
    for channel, name in enumerate(_CHANNELS):
        only = np.arange(len(_CHANNELS)) == channel
        strata[f"  nothing wrong, {name}"] = sound[:, None] & everywhere & only
    for low, high in itertools.pairwise(_COUNT_CLASSES):
        name = f"{low} to {high - 1} counts" if np.isfinite(high) else f"{low} counts and more"
        strata[f"  nothing wrong, {name}"] = sound[:, None] & (counts >= low) & (counts < high)
    return {
        name: Counter(limits=int(rows.sum()), machine=int((rows & machine).sum()),
                      counter=int((rows & counter).sum()))
        for name, rows in strata.items()
    }  # fmt: skip


def _hold(limits: Interval, true_per_ml: NDArray[np.float64]) -> Mask:
    with np.errstate(invalid="ignore"):
        return np.asarray((limits.low_per_ml <= true_per_ml) & (true_per_ml <= limits.high_per_ml))
