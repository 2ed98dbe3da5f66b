"""A judgement as plain rows for programs: numbers rounded to what they carry, None for what is not known."""

from typing import Any

import numpy as np

from skidwright.judgement.attention import WORDS, Attention
from skidwright.judgement.forecast import Forecast
from skidwright.judgement.judge import Judgement
from skidwright.judgement.series import Series
from skidwright.judgement.told import DAYS_A_MONTH
from skidwright.judgement.trend import Trend
from skidwright.samples.coldest import FULL_PERCENT
from skidwright.trade.code_text import format_code


def row_of(one: Attention) -> dict[str, Any]:
    """An asset with its reasons, and its judgement when it has any sample."""
    row: dict[str, Any] = {
        "asset": one.asset.number,
        "name": one.asset.title,
        "needs": one.word,
        "reasons": [{"needs": WORDS[reason.level], "text": reason.text} for reason in one.reasons],
        "target": format_code(one.asset.target) if one.asset.target else None,
        "water_limit_percent": one.asset.water_limit_percent,
    }
    return row | (judgement_row(one.judgement) if one.judgement else {"samples": 0})


def judgement_row(one: Judgement) -> dict[str, Any]:
    """Everything judged of an asset."""
    state, water = one.target, one.water
    return {
        "samples": one.samples,
        "valid_counts": one.valid,
        "newest": None if np.isnat(one.newest) else f"{one.newest.astype('datetime64[s]')}Z",
        "code": format_code(state.code) if state.code else None,
        "target_state": state.state,
        "chance_at_or_below_target": [_round(chance, 4) for chance in state.chances] or None,
        "scale_numbers_above_target": list(state.above) or None,
        "water_state": water.state,
        "water_percent": _round(water.percent, 1),
        "water_read_at_c": _round(water.warm_c, 1),
        "coldest_c": _round(water.cold_c, 1),
        "water_percent_when_coldest": _pair(_full_at_most(water.cold_percent), 1),
        "free_water_below_c": _pair(water.free_below_c, 1),
        "series": [
            *_series(one.particle_series, one.forecasts),
            *_series(one.water_series, (one.water_forecast,)),
        ],
        "hints": [
            {
                "pattern": hint.kind,
                "day": _day(hint.days),
                "what": hint.what,
                "evidence": hint.evidence,
                "may_be": hint.may_be,
                "or_else": hint.else_it,
            }
            for hint in one.hints
        ],
    }


def _series(series: Series, forecasts: tuple[Forecast | None, ...]) -> list[dict[str, Any]]:
    if not len(series.points):
        return []
    days = series.points.days
    return [
        {
            "series": name,
            "unit": series.unit,
            "referred_to": series.reference or None,
            "points": len(series.points),
            "trend": _trend(series.trends[k]),
            "trend_of_all": _trend(series.long_trends[k]),
            "changes": [
                {"day": _day(change.days), "step": _round(change.step, 2)} for change in series.changes[k]
            ],
            "alarms": [
                {
                    "first": _day(float(days[alarm.first])),
                    "last": _day(float(days[alarm.last])),
                    "up": alarm.up,
                    "furthest_from_usual": _round(alarm.furthest, 2),
                }
                for alarm in series.alarms
                if alarm.series == k
            ],
            "forecast": _forecast(forecasts[k]),
        }
        for k, name in enumerate(series.names)
    ]


def _trend(line: Trend | None) -> dict[str, Any] | None:
    if line is None:
        return None
    return {
        "direction": "rising" if line.rising else "falling" if line.falling else "no trend",
        "a_month": _round(line.slope * DAYS_A_MONTH, 4),
        "a_month_95_percent": [_round(end * DAYS_A_MONTH, 4) for end in (line.low, line.high)],
        "since": _day(line.first_days),
        "points": line.points,
        "times_the_variance_of_independent_points": _round(line.more, 2),
    }


def _forecast(found: Forecast | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "state": found.state,
        "earliest": _day(found.earliest_days),
        "likely": _day(found.likely_days),
        "latest": _day(found.latest_days),
        "nothing_before": _day(found.horizon_days) if np.isnan(found.earliest_days) else None,
    }


def _day(days: float) -> str | None:
    if not np.isfinite(days) or abs(days) > 1e6:
        return None
    return str(np.datetime64(int(np.floor(days)), "D"))


def _round(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _full_at_most(percents: tuple[float, float]) -> tuple[float, float]:
    """Saturations without what is beyond 100 %: that is free water, whose amount no saturation tells."""
    low, high = percents
    return min(low, FULL_PERCENT), min(high, FULL_PERCENT)


def _pair(values: tuple[float, float], digits: int) -> list[float | None] | None:
    return None if np.isnan(values[0]) else [_round(value, digits) for value in values]
