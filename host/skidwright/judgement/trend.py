"""Trend of a series with its limits, and the forecast of when it crosses a limit."""

from dataclasses import dataclass, field

import numpy as np

from skidwright.arrays import Floats
from skidwright.judgement.line import TrendLine, line, solved
from skidwright.judgement.noise import MAD_TO_SD

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
    fitted: TrendLine = field(repr=False)

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


NO_TREND, AWAY, CROSSED, FAR, AHEAD = "no trend", "moving away", "beyond it now", "far", "ahead"
# Nothing is said further ahead than so many times the stretch the line was drawn through.
REACH = 2.0
_FURTHEST = 1000.0


@dataclass(frozen=True)
class Forecast:
    """`state` is one of the words above; times in days since 1970, only with AHEAD (`latest_days` may be
    inf).

    `horizon_days`: with FAR, nothing is foreseen before then.
    """

    state: str
    earliest_days: float = np.nan
    likely_days: float = np.nan
    latest_days: float = np.nan
    horizon_days: float = np.nan


def forecast(line: Trend | None, limit: float, confidence: float = CONFIDENCE) -> Forecast:
    """When a series whose trend is `line` rises above `limit`."""
    if line is None:
        return Forecast(NO_TREND)
    now = line.last_days
    if line.at(now) > limit and line.level > limit:
        return Forecast(CROSSED)
    if line.falling:
        return Forecast(AWAY)
    if not line.rising:
        return Forecast(CROSSED) if line.at(now) > limit else Forecast(NO_TREND)
    if line.at(now) > limit:
        return Forecast(CROSSED)
    tail = (1 - confidence) / 2
    horizon = now + REACH * line.span_days
    # nothing is said beyond the horizon, but an end that lies there is
    furthest = now + _FURTHEST * line.span_days

    def above(days: Floats) -> Floats:
        return 1 - line.fitted.chance_below(limit, days)

    earliest = solved(above, now, furthest, tail)
    likely = solved(above, now, furthest, 0.5)
    latest = (
        solved(above, now, furthest, 1 - tail) if float(above(np.array(furthest))) >= 1 - tail else np.inf
    )
    if earliest > horizon:
        return Forecast(FAR, horizon_days=horizon)
    return Forecast(AHEAD, earliest, likely, latest, horizon)
