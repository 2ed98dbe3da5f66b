"""A standing as plain rows for programs: numbers rounded to what they carry, None for what is not known."""

from typing import Any

import numpy as np

from skidwright.formulas.iso4406 import format_code
from skidwright.judgement.in_words import DAYS_A_MONTH
from skidwright.judgement.judge import Judgement
from skidwright.judgement.series import Series
from skidwright.judgement.trend import Forecast, Trend
from skidwright.samples.cold_water import FULL_PERCENT
from skidwright.standing import words
from skidwright.standing.goals import WATERS, WORDS, Quantity
from skidwright.standing.standing import Standing


def row_of(one: Standing) -> dict[str, Any]:
    """An asset with its standing, and its judgement over time when it has any sample."""
    row: dict[str, Any] = {
        "asset": one.asset.number,
        "name": one.asset.title,
        **standing_row(one),
        "target": format_code(one.asset.target) if one.asset.target else None,
        "water_limit_percent": one.asset.water_limit_percent,
    }
    return row | (judgement_row(one.judgement) if one.judgement else {"samples": 0})


def standing_row(one: Standing) -> dict[str, Any]:
    """How an asset stands: the same in every view of the same moment."""
    return {
        "at": f"{one.now.astype('datetime64[s]')}Z",
        "needs": one.word,
        "title": words.title(one),
        "sureness": one.sureness.word,
        "iso4406_code": format_code(one.code) if one.code else None,
        "quantities": [quantity_row(each, WORDS[one.level_of(each.name)]) for each in one.quantities],
        "reasons": [
            {
                "needs": WORDS[reason.level],
                "kind": reason.kind,
                "about": list(reason.about),
                "text": words.reason(reason),
            }
            for reason in one.reasons
        ],
    }


def quantity_row(one: Quantity, needs: str | None = None) -> dict[str, Any]:
    """A quantity against its goal; `needs` where it is a machine's. Of water there is no more than 100 %:
    what is beyond is free water.
    """
    digits = 5 if one.number is not None else 4
    full = np.inf if one.number is not None or one.name not in WATERS else FULL_PERCENT
    return {
        "quantity": one.name,
        "state": one.state,
        **({} if needs is None else {"needs": needs}),
        "unit": one.unit,
        "value": _figures(min(one.value, full), digits),
        "value_high": _figures(min(one.value_high, full), digits),
        "limit": _figures(one.limit, 7),
        "scale_number": one.number,
        "scale_number_asked": one.asked,
        "chance_at_or_below": _round(one.least, 4),
        "at_c": _round(one.at_c, 1),
        "cause": one.cause or None,
        "newest": None if np.isnat(one.newest) else f"{one.newest.astype('datetime64[s]')}Z",
        "age_days": _round(one.age_days, 2),
        "samples": len(one.rows),
    }


def judgement_row(one: Judgement) -> dict[str, Any]:
    """What is judged of an asset over time."""
    return {
        "samples": one.samples,
        "valid_counts": one.valid,
        "newest": None if np.isnat(one.newest) else f"{one.newest.astype('datetime64[s]')}Z",
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


def _figures(value: float, digits: int) -> float | None:
    return float(f"{value:.{digits}g}") if np.isfinite(value) else None
