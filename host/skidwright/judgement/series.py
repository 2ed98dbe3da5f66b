"""The judged series of an asset: particles of four sizes, and water, each with points, changes, trend and
charts."""

from dataclasses import dataclass, field

import numpy as np

from skidwright.config import Asset
from skidwright.judgement.changes import Change, changes
from skidwright.judgement.charts import Alarm, Charts, alarms, charts
from skidwright.judgement.points import (
    LEAST_NOISE,
    MOST_POINTS,
    MS_PER_DAY,
    Points,
    coarser,
    count_points,
    value_points,
)
from skidwright.judgement.trend import Trend, trend
from skidwright.register.model import AssetRecord
from skidwright.samples.cold_water import carried, fluids
from skidwright.samples.history import VALID, History
from skidwright.wording import size

# A trend over more points costs more and says no more; over points of less than a day it would take the
# difference between two days for one.
TREND_POINTS = 122
TREND_DAYS = 1.0
# Water readings scatter by no less than this, percent of saturation (common practice, no source).
WATER_NOISE = 0.1
# The long view is another one only where it reaches so many times as far back as the newest points.
_LONGER = 1.2


@dataclass(frozen=True)
class Series:
    """Series with common times. Everything but `long_trends` is of the newest 366 points (a day each, or a
    sample).

    `trends` are those since each series' last change; `long_trends` those of all there is, None when that
    is no more. `unit` is that of values, `reference` says what they are referred to.
    """

    names: tuple[str, ...]
    unit: str
    points: Points
    changes: list[list[Change]]
    trends: list[Trend | None]
    long_trends: list[Trend | None]
    charts: Charts | None
    alarms: list[Alarm]
    reference: str = ""
    total_points: int = field(default=0)


def particle_series(history: History) -> Series:
    """Logarithm to base 2 of particles per mL: one up is one scale number up."""
    names = tuple(size(k) for k in range(4))
    return _judged(names, "scale numbers", count_points(history), "")


def water_series(history: History, asset: Asset | AssetRecord) -> tuple[Series, float]:
    """Saturation carried to one temperature, so that warming and cooling do not count, and that temperature.

    NaN where there are no readings. See `water_points`.
    """
    points, at_c = water_points(history, asset)
    return _judged(("water",), "% of saturation", points, f"{at_c:g} degC" if len(points) else ""), at_c


def water_points(history: History, asset: Asset | AssetRecord) -> tuple[Points, float]:
    """Points of saturation carried to one temperature, and that temperature in degC.

    It is the coldest that the asset sees when that is known, else the median of the newest readings'. By the
    fluid's own constants, else by the first published pair: both move the level, neither the direction.
    """
    good = (history.water_verdict == VALID) & ~np.isnat(history.when)
    rows = np.flatnonzero(good & np.isfinite(history.temperature_c) & np.isfinite(history.water_percent))
    if not len(rows):
        return Points(np.zeros(0), np.zeros((0, 1)), np.zeros(0, np.int64), np.zeros(1)), np.nan
    at_c = asset.coldest_c
    if at_c is None:
        at_c = round(float(np.median(history.temperature_c[rows[-200:]])), 0)
    values = carried(
        history.water_percent[rows], history.temperature_c[rows], at_c, fluids(asset.solubility)[0]
    )
    made = value_points(history.utc_ms[rows] / MS_PER_DAY, values)
    return Points(made.days, made.values, made.samples, np.array([WATER_NOISE])), at_c


def in_detail(whole: Points) -> Points:
    """The newest points, which are looked at in detail, with the least noise that they are taken to have."""
    points = whole.newest(MOST_POINTS)
    return Points(points.days, points.values, points.samples, np.maximum(points.floor, LEAST_NOISE))


def _judged(names: tuple[str, ...], unit: str, whole: Points, reference: str) -> Series:
    points = in_detail(whole)
    found = changes(points.days, points.values, points.floor)
    trends = [_trend_of(points, k, found[k][-1].at if found[k] else 0) for k in range(len(names))]
    long_trends: list[Trend | None] = [None] * len(names)
    if len(whole) > 1 and whole.days[-1] - whole.days[0] > _LONGER * (points.days[-1] - points.days[0]):
        far = coarser(whole, TREND_POINTS)
        long_trends = [trend(far.days, far.values[:, k]) for k in range(len(names))]
    charted = charts(points) if len(points) else None
    return Series(
        names,
        unit,
        points,
        found,
        trends,
        long_trends,
        charted,
        alarms(charted) if charted else [],
        reference,
        len(whole),
    )


def _trend_of(points: Points, series: int, start: int) -> Trend | None:
    piece = Points(
        points.days[start:], points.values[start:, series : series + 1], points.samples[start:], np.zeros(1)
    )
    piece = coarser(piece, TREND_POINTS, TREND_DAYS)
    return trend(piece.days, piece.values[:, 0])
