"""When will a limit be crossed, if things go on as they do? An interval, or "no trend"; never a single date.

The line is the trend's. Its crossing is a ratio of two uncertain numbers, (limit - level) / slope; the
interval is E. C. Fieller's, "Some problems in interval estimation", Journal of the Royal Statistical
Society B 16, 1954. Its set is bounded only when the slope's own interval does not hold zero, so no date can
come from a slope that may be none.
"""

from dataclasses import dataclass

import numpy as np

from skidwright.judgement.trend import CONFIDENCE, Trend
from skidwright.trade.distributions import normal_quantile

NO_TREND, AWAY, CROSSED, FAR, AHEAD = "no trend", "moving away", "beyond it now", "far", "ahead"
# Nothing is said further ahead than so many times the stretch the line was drawn through.
REACH = 2.0


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
    z = normal_quantile(0.5 + confidence / 2)
    # either side of the slope's interval has its own width
    slope_error = max(line.high - line.slope, line.slope - line.low) / z
    low, high = _fieller(limit - line.level, line.level_error, line.slope, slope_error, z)
    horizon = now + REACH * line.span_days
    likely = line.centre_days + (limit - line.level) / line.slope
    earliest = max(line.centre_days + low, now)
    if earliest > horizon:
        return Forecast(FAR, horizon_days=horizon)
    return Forecast(AHEAD, earliest, likely, line.centre_days + high, horizon)


def _fieller(
    above: float, above_error: float, below: float, below_error: float, z: float
) -> tuple[float, float]:
    """Limits of the ratio of two independent estimates; the upper one is inf where there is none."""
    a = below**2 - (z * below_error) ** 2
    b = above * below
    c = above**2 - (z * above_error) ** 2
    root = np.sqrt(max(b * b - a * c, 0.0))
    if a <= 0:
        return (c / (b + root) if b + root > 0 else 0.0), np.inf
    return float((b - root) / a), float((b + root) / a)
