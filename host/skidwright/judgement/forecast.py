"""When will a limit be crossed, if things go on as they do? An interval, or "no trend"; never a single date.

The line is the trend's, by all noise that may be (`line`). The interval begins where the line is above the
limit with 2.5 % chance and ends where it is with 97.5 %; it has no end where that never comes. For one noise
that is known this is E. C. Fieller's interval ("Some problems in interval estimation", Journal of the Royal
Statistical Society B 16, 1954). No date comes from a slope that may be none.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.line import solved
from skidwright.judgement.trend import CONFIDENCE, Trend

Floats = NDArray[np.float64]

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
