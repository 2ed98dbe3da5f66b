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
from skidwright.judgement.robust import held_sd, inflation, noise
from skidwright.judgement.run_length import ewma_limit, single_limit, student_limit

Floats = NDArray[np.float64]

WEIGHT = 0.2
BASELINE = 90
LEAST_BASELINE = 30
GUARD = 7
# What is stated: so many false alarms in a year of daily points, both charts of all series of an asset
# together.
FALSE_ALARMS_PER_YEAR = 0.1
POINTS_PER_YEAR = 365
SERIES_OF_AN_ASSET = 5
CHARTS = 2
# Degrees of freedom of the standard deviation of a baseline, for each of its points (values held within
# 3 standard deviations are nearly as sharp as the usual estimate, see docs/judgement.md).
_FREEDOM_PER_POINT = 0.9
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
    return POINTS_PER_YEAR * SERIES_OF_AN_ASSET * CHARTS / false_alarms_per_year


def charts(points: Points, false_alarms_per_year: float = FALSE_ALARMS_PER_YEAR) -> Charts:
    """Both charts of all series of `points`."""
    n, series = points.values.shape
    usual, sd = np.full((n, series), np.nan), np.full((n, series), np.nan)
    held = np.zeros(n)
    _, alike = noise(points.values.T, points.floor)
    for block, middle, spread, size in _baselines(points.values):
        usual[block] = middle
        sd[block] = np.maximum(spread, np.maximum(points.floor, 1e-6))
        held[block] = size
    single = (points.values - usual) / sd
    wanted = run_length(false_alarms_per_year)
    # how well the baseline's median is known, in squared standard deviations of a point
    with np.errstate(divide="ignore"):
        open_mean = np.pi / 2 * inflation(alike)[None, :] / held[:, None]
    share = WEIGHT / (2 - WEIGHT)
    left = alike * (1 - WEIGHT)
    of_ewma = share * (1 + left) / (1 - left)
    freedom = np.maximum(_FREEDOM_PER_POINT * held[:, None] / inflation(alike)[None, :], 8.0)
    return Charts(
        days=points.days,
        usual=usual,
        sd=sd,
        single=single,
        single_limit=_wide(single_limit(wanted), freedom) * np.sqrt(1 + open_mean),
        ewma=_ewma(single),
        ewma_limit=_wide(ewma_limit(WEIGHT, wanted), freedom) * np.sqrt(of_ewma[None, :] + open_mean),
    )


def _wide(limit: float, freedom: Floats) -> Floats:
    values, places = np.unique(freedom, return_inverse=True)
    wide = np.array([student_limit(limit, float(value)) for value in values])
    return wide[places].reshape(freedom.shape)


def _baselines(values: Floats) -> list[tuple[slice, Floats, Floats, int]]:
    """For each stretch of `GUARD` points its baseline's median, standard deviation and number of points."""
    starts = list(range(LEAST_BASELINE + GUARD, len(values), GUARD))
    found = []
    full = [start for start in starts if start - GUARD >= BASELINE]
    for start in starts[: len(starts) - len(full)]:
        base = values[: start - GUARD].T
        found.append((slice(start, start + GUARD), np.median(base, axis=1), held_sd(base), start - GUARD))
    if full:
        # all full baselines at once: (starts, series, points)
        windows = np.lib.stride_tricks.sliding_window_view(values, BASELINE, axis=0)
        base = windows[np.array(full) - GUARD - BASELINE]
        middle, spread = np.median(base, axis=2), held_sd(base)
        found += [
            (slice(start, start + GUARD), middle[i], spread[i], BASELINE) for i, start in enumerate(full)
        ]
    return found


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
