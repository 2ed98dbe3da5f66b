"""Patterns around events: what came before and after a moment, and what that hints at."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.formulas.comparison import compare
from skidwright.formulas.distributions import binomial_tail
from skidwright.judgement import events as book
from skidwright.judgement.events import MachineEvent
from skidwright.judgement.noise import Noise, noise_of
from skidwright.judgement.points import MS_PER_DAY, count_rows, never_none
from skidwright.judgement.series import Series
from skidwright.samples.history import VALID, History
from skidwright.wording import date, sizes, steps


@dataclass(frozen=True)
class Hint:
    """`what` was seen, the `evidence` in figures, what it `may_be`, and what `else_it` could be."""

    kind: str
    days: float
    what: str
    evidence: str
    may_be: str
    else_it: str


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
class LevelStep:
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


def step_at(found: Levels, days: float, after: int = AFTER) -> LevelStep | None:
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
    return LevelStep(step, step / (found.noise.sd * np.sqrt(more)), len(before), len(since), found.noise.sd)


LOOK_BACK_DAYS = 90.0
# A pause in the samples is a standstill from so many usual intervals, and from so many hours, on.
PAUSE_INTERVALS, PAUSE_HOURS = 3.0, 4.0
LEAST_STARTS = 6
RARE, SELDOM = 0.001, 0.01
# Water is worth a hint from so many percent of saturation on.
LEAST_WETTER = 5.0


def large_only(particles: Series) -> list[Hint]:
    """The newest week of points: coarse channels in alarm, fine ones as usual."""
    charts = particles.charts
    if charts is None or len(charts.days) < 7 or np.isnan(charts.usual[-1, 0]):
        return []
    away = np.median(particles.points.values[-7:] - charts.usual[-7:], axis=0)
    coarse = [k for k in (2, 3) if charts.up[-7:, k].any() and away[k] >= LEAST_STEP]
    if not coarse or (away[:2] >= LEAST_STEP / 2).any() or charts.up[-3:, :2].any():
        return []
    return [
        Hint(
            "large particles only",
            float(charts.days[-1]),
            f"Only the large particles rose ({sizes(coarse)}).",
            f"{sizes(range(4))}: {steps(away)} scale numbers from usual over the newest 7 points",
            "wear that makes large particles, or a burst element or open by-pass near the sampling point; a "
            "bottle sample under the microscope tells metal from fibre",
            "large particles are few, so chance weighs more; air bubbles and water drops count as large "
            "particles; dirt from the sampling point itself",
        )
    ]


def metal(history: History, newest_ms: int) -> list[Hint]:
    """Metal particles of the newest month against the two months before."""
    told = []
    good = np.flatnonzero((history.metal_verdict == VALID) & ~np.isnat(history.when))
    age = (newest_ms - history.utc_ms[good]) / MS_PER_DAY
    new, old = good[age <= 30], good[(age > 30) & (age <= LOOK_BACK_DAYS)]
    if len(new) < 5 or len(old) < 5:
        return []
    volumes = float(history.volume_ml[new].sum()), float(history.volume_ml[old].sum())
    if min(volumes) <= 0:
        return []
    for k, name in enumerate(("ferrous", "non-ferrous")):
        now, then = int(history.metal[new, k].sum()), int(history.metal[old, k].sum())
        if now < 10:
            continue
        # samples differ by more than counting: a tenth is common practice, no source
        found = compare(now, volumes[0], then, volumes[1], volume_uncertainty=0.1)
        if found.p_value < RARE and found.ratio_low > 1.5:
            told.append(
                Hint(
                    "metal particles",
                    newest_ms / MS_PER_DAY,
                    f"More {name} particles than before.",
                    f"{now} in {volumes[0]:.0f} mL in the newest 30 days against {then} in "
                    f"{volumes[1]:.0f} mL in the 60 before: {_times(found.ratio)} as many "
                    f"(95 %: {found.ratio_low:.1f} times or more)",
                    "wear of bearings, gears, pump or cylinders; harder metals and scale do most harm, soft "
                    "metals less (common practice, no source)",
                    "metal left from a repair or a new part running in; a magnet or sensor cleaned or moved",
                )
            )
    return told


def _times(ratio: float) -> str:
    return "many times" if np.isinf(ratio) else f"{ratio:.1f} times"


def water(water: Series, particles: Series, has_cooler: bool) -> list[Hint]:
    """Water rising by itself."""
    line = water.trends[0] if water.trends else None
    stepped = [c for c in water.changes[0] if c.step >= LEAST_WETTER] if water.changes else []
    rising = line is not None and line.rising and line.slope * line.span_days >= LEAST_WETTER
    stepped = stepped if stepped and stepped[-1].days >= water.points.days[-1] - 30 else []
    away = _above_usual(water)
    if not rising and not stepped and away < LEAST_WETTER:
        return []
    if any(t is not None and t.rising and t.slope * t.span_days >= LEAST_STEP for t in particles.trends[:2]):
        return []
    if rising and line is not None:
        evidence = (
            f"{line.slope * 30:+.1f} % of saturation a month at {water.reference} "
            f"(95 %: {line.low * 30:+.1f} to {line.high * 30:+.1f}), over {line.span_days:.0f} days; "
            "particles did not rise"
        )
        at = line.last_days
    elif not stepped:
        evidence = (
            f"{away:+.0f} % of saturation at {water.reference} against what is usual, in alarm; "
            "particles did not rise"
        )
        at = float(water.points.days[-1])
    else:
        evidence = (
            f"{stepped[-1].step:+.0f} % of saturation at {water.reference} about "
            f"{date(stepped[-1].days)}; particles did not rise"
        )
        at = stepped[-1].days
    cooler = (
        "the cooler that this machine has leaks"
        if has_cooler
        else "a water-cooled cooler, if it has one, leaks"
    )
    return [
        Hint(
            "water by itself",
            at,
            "Water rose while particles did not.",
            evidence,
            f"{cooler}: compare its pressures, water against oil side, when running and when standing",
            "condensation while standing; wash-down; a breather that takes in damp air; wet new fluid; "
            "a drifting water sensor",
        )
    ]


def _above_usual(water: Series) -> float:
    """How far the newest points in alarm lie above usual, percent of saturation; 0 when none is."""
    charts = water.charts
    if charts is None or not charts.up[-7:, 0].any():
        return 0.0
    return float(np.nanmedian(water.points.values[-3:, 0] - charts.usual[-3:, 0]))


def starts(history: History, found: Levels, recent: Sequence[MachineEvent], since: float) -> list[Hint]:
    """Higher right after a standstill and back to where it was later, start for start."""
    days = history.utc_ms[~np.isnat(history.when)] / MS_PER_DAY
    days = days[days >= since]
    if len(days) < 20:
        return []
    spacing = np.diff(days)
    usual = float(np.median(spacing))
    pause = max(PAUSE_INTERVALS * usual, PAUSE_HOURS / 24)
    starts = days[1:][spacing > pause].tolist()
    starts += [e.days for e in recent if e.kind == book.START]
    rises, backs = [], []
    starts.sort()
    for start, following in itertools.pairwise([*starts, np.inf]):
        place = int(np.searchsorted(found.days, start - 1e-6))
        end = int(np.searchsorted(found.days, following - 1e-6))
        if place < 3 or end - place < 2 * AFTER:
            continue
        before = np.median(found.values[max(place - AFTER, 0) : place, 0])
        first = np.median(found.values[place : place + 2, 0])
        later = np.median(found.values[place + AFTER : min(place + 3 * AFTER, end), 0])
        rises.append(float(first - before))
        backs.append(float(first - later))
    saw = _seldom_by_chance(rises, backs)
    if saw is None:
        return []
    return [
        Hint(
            "saw-tooth with starts",
            float(days[-1]),
            "Counts are high after each start and fall back while running.",
            f"in {saw} of {len(rises)} starts the first samples were higher: by {np.median(rises):.1f} scale "
            f"numbers >=4 um(c) (median), of which {np.median(backs):.1f} went again",
            "settled dirt stirred up by starting, or a filter's by-pass open while the fluid is cold",
            "air after standing; a line not purged long enough; cold fluid in the counter",
        )
    ]


def _seldom_by_chance(rises: list[float], backs: list[float]) -> int | None:
    """How many starts rose and fell back, when that many would be rare by chance; else None."""
    if len(rises) < LEAST_STARTS:
        return None
    enough = LEAST_STEP / 2
    saw = sum(rise > enough and back > enough for rise, back in zip(rises, backs, strict=True))
    if not saw or np.median(rises) < LEAST_STEP:
        return None
    # were the first samples as likely lower as higher, so many of them would be this rare
    return saw if float(binomial_tail(saw, len(rises), 0.5, upper=True)[0]) < SELDOM else None
