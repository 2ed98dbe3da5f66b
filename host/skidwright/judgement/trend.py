"""Trend with its interval: the median of all slopes between two points.

P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63, 1968, with the
variance of Kendall's S for ties. Points that are alike from one to the next say less than independent ones:
the variance of S is multiplied by how much more their mean varies (`robust.inflation`), in the manner of S.
Yue and C. Wang, "The Mann-Kendall test modified by effective sample size", Water Resources Management 18,
2004 (from memory).
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.robust import MAD_TO_SD, inflation
from skidwright.trade.distributions import normal_quantile

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
# A slope through fewer points, or less time, is no trend.
LEAST_POINTS = 8
LEAST_DAYS = 1.0


@dataclass(frozen=True)
class Trend:
    """A slope with its interval, per day, in units of the series; `level` is the line's value at
    `centre_days`.

    `level_error` is one standard deviation of `level`; `noise` that of the points about the line; `more` by
    how much more their mean varies than that of independent points. `rising` and `falling` only where the
    interval does not hold zero.
    """

    slope: float
    low: float
    high: float
    centre_days: float
    level: float
    level_error: float
    noise: float
    more: float
    points: int
    first_days: float
    last_days: float

    @property
    def rising(self) -> bool:
        return self.low > 0

    @property
    def falling(self) -> bool:
        return self.high < 0

    @property
    def span_days(self) -> float:
        """Time from the first to the last point."""
        return self.last_days - self.first_days

    def at(self, days: float) -> float:
        """The line's value at a time."""
        return self.level + self.slope * (days - self.centre_days)


def trend(days: Floats, values: Floats, confidence: float = CONFIDENCE) -> Trend | None:
    """The trend of a series (n,), oldest first; None when it has too few points or spans too little time."""
    if len(days) < LEAST_POINTS or days[-1] - days[0] < LEAST_DAYS:
        return None
    centre = float(days.mean())
    slopes = _Slopes(days, values)
    slope = slopes.middle()
    residuals = values - slope * (days - centre)
    level = float(np.median(residuals))
    residuals = residuals - level
    more = inflation(values, residuals)
    low, high = slopes.limits(confidence, more)
    sd = MAD_TO_SD * float(np.median(np.abs(residuals)))
    # a median varies by pi / 2 more than a mean
    error = sd * float(np.sqrt(np.pi / 2 * more / len(days)))
    return Trend(slope, low, high, centre, level, error, sd, more, len(days), float(days[0]), float(days[-1]))


def sen_slope(
    days: Floats, values: Floats, confidence: float = CONFIDENCE, more_variance: float = 1.0
) -> tuple[float, float, float]:
    """Median of the slopes between all pairs of points, and the limits of its interval.

    `more_variance` multiplies the variance of Kendall's S. ValueError for fewer than two distinct times.
    """
    slopes = _Slopes(days, values)
    return slopes.middle(), *slopes.limits(confidence, more_variance)


class _Slopes:
    """The slopes between all pairs of points."""

    def __init__(self, days: Floats, values: Floats) -> None:
        first, second = _pairs(len(days))
        step = days[second] - days[first]
        rise = values[second] - values[first]
        apart = step > 0
        if not apart.all():
            rise, step = rise[apart], step[apart]
            if not len(step):
                raise ValueError("two different times are needed for a slope")
        self._slopes = rise / step
        n = len(days)
        self._variance = (n * (n - 1) * (2 * n + 5) - _ties(days) - _ties(values)) / 18

    def middle(self) -> float:
        return float(np.median(self._slopes))

    def limits(self, confidence: float, more_variance: float) -> tuple[float, float]:
        """Slopes by rank, as far from the middle as Kendall's S reaches by chance."""
        pairs = len(self._slopes)
        reach = normal_quantile(0.5 + confidence / 2) * float(
            np.sqrt(max(self._variance * more_variance, 0.0))
        )
        upper = min(round((pairs + reach) / 2), pairs - 1)
        lower = max(round((pairs - reach) / 2) - 1, 0)
        ranked = np.partition(self._slopes, sorted({lower, upper}))
        return float(ranked[lower]), float(ranked[upper])


@lru_cache(maxsize=8)
def _pairs(n: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    return np.triu_indices(n, 1)


def _ties(values: Floats) -> int:
    """What equal values take from eighteen times the variance of Kendall's S."""
    ranked = np.sort(values)
    starts = np.flatnonzero(np.r_[True, ranked[1:] != ranked[:-1]])
    runs = np.diff(np.r_[starts, len(ranked)])
    runs = runs[runs > 1]
    return int((runs * (runs - 1) * (2 * runs + 5)).sum())
