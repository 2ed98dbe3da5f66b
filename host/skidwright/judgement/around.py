"""Samples before and after a moment, compared channel by channel against the noise of single samples."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.noise import Noise, noise_of
from skidwright.judgement.points import MS_PER_DAY, count_rows, never_none
from skidwright.samples.history import History

Floats = NDArray[np.float64]

BEFORE, AFTER = 8, 4
# Samples further from the moment than this say little about it.
REACH_DAYS = 7.0
# A step counts as one from half a scale number on, and from four times its own uncertainty on.
LEAST_STEP, LEAST_SURE = 0.5, 4.0
# The newest samples that tell how single ones scatter: more would cost and say no more.
_FOR_NOISE = 2000
# A level that wanders over days passes for no more than this between a few neighbouring samples.
_MOST_ALIKE = 0.9


@dataclass(frozen=True)
class Levels:
    """Valid samples of the newest stretch one by one: log2 of particles per mL, (n, 4), and their noise."""

    days: Floats
    values: Floats
    noise: Noise


@dataclass(frozen=True)
class Step:
    """By how much each channel differs after a moment, in scale numbers, and in its own uncertainties."""

    step: Floats
    sure: Floats
    before: int
    after: int
    noise: Floats

    def up(self) -> NDArray[np.bool_]:
        """Channels that rose: by enough, and surely enough."""
        return (self.step >= LEAST_STEP) & (self.sure >= LEAST_SURE)

    def still(self) -> NDArray[np.bool_]:
        """Channels that did not rise by anything worth naming."""
        return self.step < LEAST_STEP / 2


def levels(history: History, since_days: float) -> Levels:
    """Samples from `since_days` (days since 1970) on."""
    rows = count_rows(history, since_days)
    days = history.utc_ms[rows] / MS_PER_DAY
    values = np.log2(never_none(history, rows))
    usual = np.median(history.counts[rows], axis=0) if len(days) else np.zeros(4)
    floor = 1 / np.log(2) / np.sqrt(usual + 0.5)
    return Levels(days, values, noise_of(values[-_FOR_NOISE:].T, floor, _MOST_ALIKE))


def step_at(found: Levels, days: float, after: int = AFTER) -> Step | None:
    """The step at a moment; None with fewer than three samples on a side within a week."""
    place = int(np.searchsorted(found.days, days))
    earlier = slice(max(place - BEFORE, 0), place)
    later = slice(place, place + after)
    keep_before = found.days[earlier] >= days - REACH_DAYS
    keep_after = found.days[later] <= days + REACH_DAYS
    before, since = found.values[earlier][keep_before], found.values[later][keep_after]
    if len(before) < 3 or len(since) < 3:
        return None
    step = np.median(since, axis=0) - np.median(before, axis=0)
    more = np.pi / 2 * found.noise.more * (1 / len(before) + 1 / len(since))
    return Step(step, step / (found.noise.sd * np.sqrt(more)), len(before), len(since), found.noise.sd)
