"""Trend: the line through the points since the last change, with an interval that knows how little is known.

The line and its interval are those of `line`: all noise that may be, weighed. Few points say little, and the
interval is wide then; what spans too little time to tell a drift from days that differ is no trend at all.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.line import Line, line
from skidwright.judgement.noise import MAD_TO_SD

Floats = NDArray[np.float64]

CONFIDENCE = 0.95
# A slope through fewer points, or less time, is no trend: a level may differ from day to day.
LEAST_POINTS = 8
LEAST_DAYS = 7.0


@dataclass(frozen=True)
class Trend:
    """A slope with its interval, per day, in units of the series; `level` is the line's value at
    `centre_days`.

    `level_error` is one standard deviation of `level`; `noise` that of the points about the line; `more` by
    how much more their mean varies than that of independent points. `rising` and `falling` only where the
    interval does not hold zero. `fitted` is the line by all noise that may be.
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
    fitted: Line = field(repr=False)

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
    if len(days) < LEAST_POINTS or days[-1] - days[0] < LEAST_DAYS * (1 - 1e-9):
        return None
    found = line(days, values)
    slope, low, high = found.slope_limits(confidence)
    level, error = found.likely_level
    about = values - level - slope * (days - found.centre)
    sd = MAD_TO_SD * float(np.median(np.abs(about)))
    return Trend(
        slope,
        low,
        high,
        found.centre,
        level,
        error,
        sd,
        found.more,
        len(days),
        float(days[0]),
        float(days[-1]),
        found,
    )
