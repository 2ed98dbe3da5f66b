"""What `skidwright assess` shows: a ranking on one screen, or all there is to say of one asset."""

from collections.abc import Sequence

import numpy as np

from skidwright.cli import output
from skidwright.config import format_code
from skidwright.judgement import forecast as ahead
from skidwright.judgement.attention import WORDS, Attention
from skidwright.judgement.forecast import Forecast
from skidwright.judgement.judge import Judgement
from skidwright.judgement.plain import DAYS_A_MONTH
from skidwright.judgement.series import Series
from skidwright.judgement.trend import Trend
from skidwright.judgement.wording import date, percent


def rank(found: Sequence[Attention]) -> None:
    """All assets, worst first, with the reasons in words; what holds for all of them stands below."""
    common = _common(found)
    output.print_table(
        (">no.", "asset", "needs", "code", "target", "why"),
        [
            (
                one.asset.number,
                one.asset.name,
                one.word,
                _code(one),
                format_code(one.asset.target) if one.asset.target else "",
                "; ".join(reason.text for reason in one.reasons if reason.text not in common),
            )
            for one in found
        ],
    )
    for text in common:
        output.say(f"All of them: {text}.")
    sums = [f"{sum(one.word == word for one in found)} {word}" for word in WORDS.values()]
    output.say(f"{len(found)} assets: {', '.join(sums)}. `skidwright assess --asset N` says more of one.")


def _common(found: Sequence[Attention]) -> list[str]:
    """Reasons that every asset has: they belong to the skid."""
    if len(found) < 2:
        return []
    return [
        reason.text
        for reason in found[0].reasons
        if all(any(other.text == reason.text for other in one.reasons) for one in found)
    ]


def _code(one: Attention) -> str:
    return format_code(one.judgement.target.code) if one.judgement and one.judgement.target.code else ""


def show(one: Attention) -> None:
    """Everything judged of one asset."""
    output.say(f"{one.asset.title} (asset {one.asset.number}): {one.word}")
    for reason in one.reasons:
        output.say(f"  {WORDS[reason.level]}: {reason.text}")
    judgement = one.judgement
    if judgement is None:
        return
    _show_state(judgement)
    rows = _rows(judgement.particle_series, judgement.forecasts)
    rows += _rows(judgement.water_series, (judgement.water_forecast,))
    if rows:
        output.print_table(("series", ">newest", "trend (95 %)", "since", "last change", "limit"), rows)
        output.say("Trends and changes of particles are in scale numbers: one up is about twice as many.")
    for hint in judgement.hints:
        output.say(f"\nHint, no diagnosis: {hint.what}")
        output.say(f"  Seen: {hint.evidence}.")
        output.say(f"  May be: {hint.may_be}.")
        output.say(f"  Or else: {hint.else_it}.")


def _show_state(judgement: Judgement) -> None:
    state, water = judgement.target, judgement.water
    if state.code:
        text = f"Code {format_code(state.code)}, median of the newest {state.samples} valid samples"
        if judgement.asset.target:
            text += f"; target {format_code(judgement.asset.target)}: {state.state}"
            chances = ", ".join(percent(chance) for chance in state.chances)
            text += f" (chance of being at or below it >=4, >=6, >=14 um(c): {chances})"
        output.say(text + ".")
    if np.isfinite(water.percent):
        text = f"Water {water.percent:.0f} % of saturation"
        text += f" at {water.warm_c:.0f} degC" if np.isfinite(water.warm_c) else ""
        if np.isfinite(water.cold_percent[0]):
            text += f"; at {water.cold_c:g} degC, the coldest it gets: {_span(water.cold_percent)} %"
        if np.isfinite(water.free_below_c[0]):
            text += f"; free water below {_span(water.free_below_c)} degC"
        output.say(f"{text}: {water.state}.")


def _span(values: tuple[float, float]) -> str:
    return " to ".join(dict.fromkeys(f"{value:.0f}" for value in values))


def _rows(series: Series, forecasts: Sequence[Forecast | None]) -> list[tuple[str, ...]]:
    if not len(series.points):
        return []
    return [
        (
            f"{name} at {series.reference}" if series.reference else name,
            _newest(series, k),
            trend_text(series.trends[k]),
            "" if (line := series.trends[k]) is None else date(line.first_days),
            f"{series.changes[k][-1].step:+.1f} on {date(series.changes[k][-1].days)}"
            if series.changes[k]
            else "none",
            forecast_text(forecasts[k]),
        )
        for k, name in enumerate(series.names)
    ]


def _newest(series: Series, k: int) -> str:
    value = float(series.points.values[-1, k])
    return f"{value:.1f} %" if series.reference else f"{2**value:,.4g} per mL"


def trend_text(line: Trend | None) -> str:
    """A trend with its interval, or that there is none; a day's where it spans less than a month."""
    if line is None:
        return "too little to say"
    times, a_while = (DAYS_A_MONTH, "month") if line.span_days > DAYS_A_MONTH else (1.0, "day")
    low, high = line.low * times, line.high * times
    word = f"{line.slope * times:+.2f}" if line.rising or line.falling else "no trend"
    return f"{word} a {a_while} ({low:+.2f} to {high:+.2f})"


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
