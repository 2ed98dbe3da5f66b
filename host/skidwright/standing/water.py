"""Water against its limit: as read, at the coldest temperature the machine sees, and as free water there.

The same water is a higher saturation in colder fluid, and what is beyond 100 % there is free water, which
is a state of its own: nobody wants it, with or without a limit. A reading is proven to be within its limit
as a count is: with the standard uncertainty of converter and loop (`samples.water_reading`), that of the
temperature it is carried from, the scatter of a machine's samples, and the constants of the fluid, which
are a range where only published ones are known (`samples.coldest`).
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.formulas.water import KELVIN
from skidwright.judgement.scatter import Scatter
from skidwright.samples import cold_water
from skidwright.samples.history import ABSENT, VALID, History
from skidwright.standing.goals import (
    AS_READ,
    AT_COLDEST,
    FREE_WATER,
    NO_GOAL,
    NO_VALID,
    NOT_MEASURED,
    OPEN,
    Goals,
    Quantity,
    decided,
)
from skidwright.standing.particles import (
    MEDIAN_LOSS,
    OwnVariance,
    age_days,
    joined,
    own_variance,
    scatter_of,
    student_cdf,
)

Rows = NDArray[np.intp]

FULL_PERCENT = cold_water.FULL_PERCENT
# The thermistor of docs/wiring.md: error at most 2 K, anywhere within (JCGM 100:2008, 4.3.7).
TEMPERATURE_ERROR_K = 2.0
_TEMPERATURE_K = TEMPERATURE_ERROR_K / np.sqrt(3)
NO_TEMPERATURE = "its temperature is not known"
NO_COLDEST = "nobody said how cold it gets"
CONSTANTS = "published constants do not agree"
# Water stands behind the four sizes.
_SERIES = slice(4, 5)


class WaterReading(NamedTuple):
    """One reading where it is judged. `low_percent` to `high_percent`: by the constants, above 100 free.

    `read_spread` and `spread_percent` are standard uncertainties, as read and of the high end, known with
    `freedom` degrees of freedom; `at_c` is NaN where no temperature is known.
    """

    read_percent: float
    warm_c: float
    read_spread: float
    low_percent: float
    high_percent: float
    spread_percent: float
    at_c: float
    freedom: float = np.inf


def water(
    history: History, goals: Goals, now: np.datetime64, scatter: Scatter | None = None
) -> tuple[Quantity, Quantity, Quantity]:
    """The three quantities of water, by the newest valid readings of the history."""
    if not len(history) or (history.water_verdict == ABSENT).all():
        return _absent(goals, NOT_MEASURED)
    rows = np.flatnonzero(history.water_verdict == VALID)[-goals.samples :]
    if not len(rows):
        return _absent(goals, NO_VALID)
    return of_rows(history, rows, goals, now, scatter)


def of_rows(
    history: History, rows: Rows, goals: Goals, now: np.datetime64, scatter: Scatter | None = None
) -> tuple[Quantity, Quantity, Quantity]:
    """The three quantities, by these valid readings: their middle, or for a fluid (`goals.each`) the
    wettest.
    """
    percent, warm = history.water_percent[rows], history.temperature_c[rows]
    spread = np.nan_to_num(history.water_spread_percent[rows])
    if goals.each:
        wet = wettest(percent, warm, goals)
        middle, middle_c, stated = float(percent[wet]), float(warm[wet]), float(spread[wet])
        own, unknown = own_share(history, scatter, 1), bool(np.isnan(warm).any())
    else:
        known = warm[np.isfinite(warm)]
        middle, stated = float(np.median(percent)), float(np.median(spread))
        middle_c = float(np.median(known)) if len(known) else np.nan
        more = MEDIAN_LOSS if len(rows) == 3 else 1.0
        own, unknown = own_share(history, scatter, len(rows), more), not len(known)
    chosen = reading(middle, middle_c, stated, goals, own)
    newest = history.when[rows].max()
    found = judged(chosen, goals, unknown)
    return tuple(
        replace(one, rows=tuple(rows.tolist()), newest=newest, age_days=age_days(newest, now))
        for one in found
    )  # type: ignore[return-value]


def wettest(percent: Floats, warm_c: Floats, goals: Goals) -> int:
    """Which of some readings is the wettest where they are judged."""
    at = cold_water.at_coldest(percent, warm_c, goals.coldest_c, goals.solubility)
    return int(np.argmax(at.high_percent))


def own_share(history: History, scatter: Scatter | None, samples: int, more: float = 1.0) -> OwnVariance:
    """What readings scatter of their own, as a share of the reading squared: carrying leaves a share as it
    is.
    """
    own = own_variance(scatter_of(scatter, _SERIES), samples, more)
    valid = history.water_percent[history.water_verdict == VALID][-200:]
    if scatter is None or not len(valid):
        return own
    usual = float(np.median(valid))
    if np.isfinite(scatter.water_at_c):
        warm = history.temperature_c[history.water_verdict == VALID][-200:]
        known = np.isfinite(warm)
        fluid = cold_water.fluids(None)[0]
        usual = float(np.median(cold_water.carried(valid[known], warm[known], scatter.water_at_c, fluid)))
    return OwnVariance(own.variance / max(usual, 0.1) ** 2, own.freedom)


def reading(
    percent: float, warm_c: float, spread_percent: float, goals: Goals, own: OwnVariance | None = None
) -> WaterReading:
    """A saturation read at a temperature, with its standard uncertainty, carried to where it is judged.

    `own`: what such readings scatter, see `own_share`.
    """
    at = cold_water.at_coldest(np.array([percent]), np.array([warm_c]), goals.coldest_c, goals.solubility)
    low, high, at_c = float(at.low_percent[0]), float(at.high_percent[0]), float(at.at_c[0])
    share = own_variance(None, 1) if own is None else own
    least = max(percent, 0.1)
    as_read, freedom = joined(spread_percent / least, share)
    carried = as_read
    if at_c < warm_c:
        steepest = max(fluid.b for fluid in cold_water.fluids(goals.solubility))
        # log10 S = A - B / T: a kelvin at T changes the content read there by so large a share
        by_temperature = np.log(10) * steepest / (warm_c + KELVIN) ** 2 * _TEMPERATURE_K
        carried, _ = joined(np.hypot(spread_percent / least, by_temperature), share)
    return WaterReading(
        percent, warm_c, float(as_read[0]) * least, low, high, float(carried[0]) * max(high, 0.1), at_c,
        float(freedom[0]),
    )  # fmt: skip


def judged(one: WaterReading, goals: Goals, unknown_c: bool = False) -> tuple[Quantity, Quantity, Quantity]:
    """The three quantities of one reading; `unknown_c`: a temperature that is needed is not known."""
    limit = np.nan if goals.water_limit_percent is None else float(goals.water_limit_percent)
    unit = "% of saturation"
    chance = _at_most(one.read_percent, one.read_spread, limit, one.freedom)
    state = NO_GOAL if np.isnan(limit) else decided(chance, chance, goals.confidence)
    read = Quantity(
        AS_READ, unit, state, one.read_percent, one.read_percent, limit, chance, chance, at_c=one.warm_c
    )
    carried = goals.coldest_c is not None
    least = _at_most(one.high_percent, one.spread_percent, limit, one.freedom)
    most = _at_most(one.low_percent, one.spread_percent, limit, one.freedom)
    state = NO_GOAL if np.isnan(limit) or not carried else decided(least, most, goals.confidence)
    cause = "" if carried else NO_COLDEST
    if carried and unknown_c:
        state, cause = (NO_GOAL if state == NO_GOAL else OPEN), NO_TEMPERATURE
    elif state == OPEN and one.low_percent <= limit < one.high_percent:
        cause = CONSTANTS
    cold = Quantity(
        AT_COLDEST, unit, state, one.low_percent, one.high_percent, limit if carried else np.nan,
        least if carried else np.nan, most if carried else np.nan, at_c=one.at_c, cause=cause,
    )  # fmt: skip
    least = _at_most(one.high_percent, one.spread_percent, FULL_PERCENT, one.freedom)
    most = _at_most(one.low_percent, one.spread_percent, FULL_PERCENT, one.freedom)
    state, cause = decided(least, most, goals.confidence), ""
    if carried and unknown_c:
        state, cause = OPEN, NO_TEMPERATURE
    free = Quantity(
        FREE_WATER, unit, state, one.low_percent, one.high_percent, FULL_PERCENT, least, most,
        at_c=one.at_c, cause=cause,
    )  # fmt: skip
    return read, cold, free


def above_as_read(history: History, rows: Rows, goals: Goals) -> NDArray[np.bool_]:
    """Which of some rows have valid water that reads above the limit."""
    read = reads_above(history.water_percent[rows], goals)
    return np.asarray((history.water_verdict[rows] == VALID) & read)


def reads_above(percent: Floats, goals: Goals) -> NDArray[np.bool_]:
    """Which saturations are above the limit as they are read."""
    limit = np.inf if goals.water_limit_percent is None else goals.water_limit_percent
    return np.asarray(percent > limit)


def above(history: History, rows: Rows, goals: Goals) -> NDArray[np.bool_]:
    """Which of some rows have valid water above the limit where it is judged, whatever the constants."""
    limit = np.inf if goals.water_limit_percent is None else goals.water_limit_percent
    at = cold_water.at_coldest(
        history.water_percent[rows], history.temperature_c[rows], goals.coldest_c, goals.solubility
    )
    return np.asarray((history.water_verdict[rows] == VALID) & (at.low_percent > limit))


def _at_most(value: float, spread: float, limit: float, freedom: float) -> float:
    """Chance that what was read as `value` is at or below `limit`; without any uncertainty 0 or 1."""
    if np.isnan(limit) or np.isnan(value):
        return float("nan")
    if spread <= 0:
        return float(value <= limit)
    return student_cdf((limit - value) / spread, freedom)


def _absent(goals: Goals, state: str) -> tuple[Quantity, Quantity, Quantity]:
    limit = np.nan if goals.water_limit_percent is None else float(goals.water_limit_percent)
    cold = np.nan if goals.coldest_c is None else limit
    unit = "% of saturation"
    return (
        Quantity(AS_READ, unit, state, limit=limit),
        Quantity(AT_COLDEST, unit, state, limit=cold),
        Quantity(FREE_WATER, unit, state, limit=FULL_PERCENT),
    )
