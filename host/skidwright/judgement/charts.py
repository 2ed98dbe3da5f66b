"""Control charts: does an asset differ from what is usual for itself?

Each point is compared with the asset's own baseline: median and robust standard deviation of up to 90
points that end one to two weeks of points before it, so that a change does not hide in its own baseline.
Two charts look at the standardised residuals: single values for large jumps, an EWMA (weight 0.2) for small
ones that last. Limits come from `run_length` and are widened for what the baseline leaves open (its median
and its standard deviation are estimates) and for points that are alike from one to the next (variance of
the EWMA of first-order noise: W. Schmid, "On EWMA charts for time series", Frontiers in Statistical Quality
Control 5, 1997; from memory).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.points import Points
from skidwright.judgement.robust import held_sd, noise
from skidwright.judgement.run_length import ewma_limit, single_limit, student_limit

Floats = NDArray[np.float64]

WEIGHT = 0.2
BASELINE = 90
LEAST_BASELINE = 30
GUARD = 7
# What is stated: so many false alarms in a year of daily points, both charts of all series of an asset
# together.
FALSE_ALARMS_PER_YEAR = 0.1
# The limits are made for half of it: the other half is kept for points that are alike, whose noise is known
# less well.
_MADE_FOR = 0.5
POINTS_PER_YEAR = 365
SERIES_OF_AN_ASSET = 5
CHARTS = 2
# Degrees of freedom of the standard deviation of a baseline, for each of its points (values held within
# 3 standard deviations are nearly as sharp as the usual estimate, see docs/judgement.md).
_FREEDOM_PER_POINT = 0.9
_LEAST_FREEDOM = 8.0
# Alarms so many points apart or nearer are one.
TOGETHER = 14


@dataclass(frozen=True)
class Charts:
    """Both charts of k series over n points, as (n, k); NaN where there is no baseline yet.

    `usual` is the baseline's median and `sd` its standard deviation, in units of the series; `single` and
    `ewma` in standard deviations of a point with their limits either way.
    """

    days: Floats
    usual: Floats
    sd: Floats
    single: Floats
    single_limit: Floats
    ewma: Floats
    ewma_limit: Floats

    @property
    def up(self) -> NDArray[np.bool_]:
        """Where either chart is above its limit, (n, k)."""
        with np.errstate(invalid="ignore"):
            return np.asarray((self.single > self.single_limit) | (self.ewma > self.ewma_limit))

    @property
    def down(self) -> NDArray[np.bool_]:
        """Where either chart is below its lower limit, (n, k)."""
        with np.errstate(invalid="ignore"):
            return np.asarray((self.single < -self.single_limit) | (self.ewma < -self.ewma_limit))


@dataclass(frozen=True)
class Alarm:
    """A stretch of alarms of one series: first and last point, whether up, and how far from usual at most."""

    series: int
    first: int
    last: int
    up: bool
    furthest: float


def run_length(false_alarms_per_year: float = FALSE_ALARMS_PER_YEAR) -> float:
    """Average points between false alarms that each chart of each series is given."""
    return POINTS_PER_YEAR * SERIES_OF_AN_ASSET * CHARTS / (_MADE_FOR * false_alarms_per_year)


def charts(points: Points, false_alarms_per_year: float = FALSE_ALARMS_PER_YEAR) -> Charts:
    """Both charts of all series of `points`. A point is judged by what came before it, never by what came
    later."""
    shape = points.values.shape
    usual, sd, more, averaged = (np.full(shape, np.nan) for _ in range(4))
    held = np.full((shape[0], 1), np.nan)
    for block, base in _baselines(points.values, points.floor):
        usual[block], sd[block], more[block], averaged[block] = base.middle, base.sd, base.more, base.averaged
        held[block] = base.points
    more, averaged = _so_far(more), _so_far(averaged)
    single = (points.values - usual) / sd
    wanted = run_length(false_alarms_per_year)
    # how well the baseline's median is known, in squared standard deviations of a point
    open_mean = np.pi / 2 * more / held
    freedom = np.maximum(_FREEDOM_PER_POINT * held / more, _LEAST_FREEDOM)
    return Charts(
        days=points.days,
        usual=usual,
        sd=sd,
        single=single,
        single_limit=student_limit(single_limit(wanted), freedom) * np.sqrt(1 + open_mean),
        ewma=_ewma(single),
        ewma_limit=student_limit(ewma_limit(WEIGHT, wanted), freedom) * np.sqrt(averaged + open_mean),
    )


def _so_far(values: Floats) -> Floats:
    """Mean of a column from its first number on: how alike points are is a lasting trait, one baseline
    tells little."""
    known = np.isfinite(values)
    total = np.cumsum(np.where(known, values, 0.0), axis=0)
    return np.where(known, total / np.maximum(np.cumsum(known, axis=0), 1), np.nan)


@dataclass(frozen=True)
class _Baseline:
    """What is usual, for each series: median, standard deviation, and what `robust.Noise` says of it."""

    middle: Floats
    sd: Floats
    more: Floats
    averaged: Floats
    points: int


def _baselines(values: Floats, floor: Floats) -> list[tuple[slice, _Baseline]]:
    """The baseline of each stretch of `GUARD` points."""
    first, full_from = LEAST_BASELINE + GUARD, BASELINE + GUARD
    # while there is less than a full baseline it grows in larger strides
    found = [
        (slice(start, min(start + 2 * GUARD, full_from)), _baseline(values[: start - GUARD].T, floor))
        for start in range(first, min(full_from, len(values)), 2 * GUARD)
    ]
    full = list(range(full_from, len(values), GUARD))
    if full:
        # all full baselines at once: (starts, series, points) as one row for each start and series
        windows = np.lib.stride_tricks.sliding_window_view(values, BASELINE, axis=0)
        series = values.shape[1]
        rows = windows[np.array(full) - GUARD - BASELINE].reshape(len(full) * series, BASELINE)
        every = _baseline(rows, np.tile(floor, len(full)))
        for i, start in enumerate(full):
            part = slice(i * series, (i + 1) * series)
            one = _Baseline(
                every.middle[part], every.sd[part], every.more[part], every.averaged[part], BASELINE
            )
            found.append((slice(start, start + GUARD), one))
    return found


def _baseline(rows: Floats, floor: Floats) -> _Baseline:
    moves = noise(rows, floor)
    sd = np.maximum(held_sd(rows), np.maximum(floor, 1e-6))
    return _Baseline(np.median(rows, axis=1), sd, moves.more, moves.of_average(WEIGHT), rows.shape[1])


def _ewma(residuals: Floats) -> Floats:
    """Moving average that starts from 0 at the first point with a baseline."""
    average = np.full(residuals.shape, np.nan)
    charted = ~np.isnan(residuals[:, 0]) if len(residuals) else np.zeros(0, np.bool_)
    average[charted] = _weights(int(charted.sum())) @ residuals[charted]
    return average


@lru_cache(maxsize=8)
def _weights(n: int) -> Floats:
    """Weight of point j in the average at point i, (n, n)."""
    age = np.arange(n)[:, None] - np.arange(n)[None, :]
    return np.where(age >= 0, WEIGHT * (1 - WEIGHT) ** np.maximum(age, 0), 0.0)


def alarms(found: Charts) -> list[Alarm]:
    """Stretches of alarms, by series and time."""
    told = []
    for up, where in ((True, found.up), (False, found.down)):
        for series in range(where.shape[1]):
            places = np.flatnonzero(where[:, series])
            if not len(places):
                continue
            breaks = np.flatnonzero(np.diff(places) > TOGETHER)
            for first, last in zip(places[np.r_[0, breaks + 1]], places[np.r_[breaks, -1]], strict=True):
                away = found.single[first : last + 1, series] * found.sd[first : last + 1, series]
                furthest = float(away.max() if up else away.min())
                told.append(Alarm(series, int(first), int(last), up, furthest))
    return sorted(told, key=lambda one: (one.first, one.series))
