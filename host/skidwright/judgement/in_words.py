"""A judgement in words: one line a series, for terminal and page alike."""

from collections.abc import Sequence
from typing import NamedTuple

from skidwright.judgement import trend as ahead
from skidwright.judgement.charts import Alarm
from skidwright.judgement.judge import Judgement
from skidwright.judgement.series import Series
from skidwright.judgement.trend import Forecast, Trend
from skidwright.samples.cold_water import FULL_PERCENT
from skidwright.wording import date

DAYS_A_MONTH = 30.0
# A smaller step, however sure, is no reason to send anybody.
WORTH_TELLING = {"scale numbers": 0.3, "% of saturation": 3.0}
# An alarm within so many of the newest points, and so many days, is one of now.
_NOW_POINTS, _NOW_DAYS = 7, 30.0


class JudgedLine(NamedTuple):
    """A series: newest point, trend with interval and start, last change, last upward alarm, forecast."""

    series: str
    newest: str
    trend: str
    interval: str
    since: str
    change: str
    alarm: str
    limit: str


def lines(one: Judgement) -> list[JudgedLine]:
    """The four particle sizes and water, those that have points."""
    return [
        *_lines(one.particle_series, one.forecasts),
        *_lines(one.water_series, (one.water_forecast,)),
    ]


def _lines(series: Series, forecasts: Sequence[Forecast | None]) -> list[JudgedLine]:
    if not len(series.points):
        return []
    return [
        JudgedLine(
            f"{name} at {series.reference}" if series.reference else name,
            _newest(series, k),
            *trend_text(series.trends[k]),
            "" if (line := series.trends[k]) is None else date(line.first_days),
            change_text(series, k),
            alarm_text(series, k),
            forecast_text(forecasts[k]),
        )
        for k, name in enumerate(series.names)
    ]


def _newest(series: Series, k: int) -> str:
    value = float(series.points.values[-1, k])
    if not series.reference:
        return f"{2**value:,.4g} per mL"
    # Past full there is no saturation any more, only free water, however much.
    return "free water" if value >= FULL_PERCENT else f"{value:.1f} %"


def trend_text(line: Trend | None) -> tuple[str, str]:
    """A trend or that there is none, and its interval: a month's, or a day's where it spans less."""
    if line is None:
        return "too little to say", ""
    times, a_while = (DAYS_A_MONTH, "month") if line.span_days > DAYS_A_MONTH else (1.0, "day")
    low, high = line.low * times, line.high * times
    word = f"{line.slope * times:+.2f} a {a_while}" if line.rising or line.falling else "no trend"
    return word, f"{low:+.2f} to {high:+.2f} a {a_while}"


def change_text(series: Series, k: int) -> str:
    """The last change: by how much, and when; where only the direction changed, when it turned."""
    if not series.changes[k]:
        return "none"
    change = series.changes[k][-1]
    if abs(change.step) < WORTH_TELLING[series.unit]:
        return f"turned on {date(change.days)}"
    return f"{change.step:+.1f} on {date(change.days)}"


def alarm_text(series: Series, k: int) -> str:
    """Whether the charts are in alarm now, and since when; else when they last were."""
    found = [alarm for alarm in series.alarms if alarm.series == k and alarm.up]
    if not found:
        return "none"
    days = series.points.days
    newest = found[-1]
    if is_now(series, newest):
        return f"since {date(float(days[newest.first]))}"
    return f"until {date(float(days[newest.last]))}"


def is_now(series: Series, alarm: Alarm) -> bool:
    """Whether an alarm stands, or ended within the newest points."""
    days = series.points.days
    return alarm.last >= len(days) - _NOW_POINTS and bool(days[alarm.last] >= days[-1] - _NOW_DAYS)


def forecast_text(found: Forecast | None) -> str:
    """When a limit is passed: an interval, or why there is none."""
    if found is None:
        return "no limit set"
    if found.state == ahead.FAR:
        return f"not before {date(found.horizon_days)}"
    if found.state != ahead.AHEAD:
        return found.state
    latest = date(found.latest_days)
    return f"passed {date(found.earliest_days)} to {'later' if latest == 'never' else latest}"
