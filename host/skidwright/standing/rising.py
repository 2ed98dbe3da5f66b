"""Reasons out of what can be seen to rise towards a limit, or stands just below it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from skidwright.arrays import Floats
from skidwright.judgement.points import MS_PER_DAY, count_rows, medians_of, never_none
from skidwright.samples.cold_water import FULL_PERCENT, at_coldest
from skidwright.samples.history import VALID, History
from skidwright.standing.goals import (
    ACT,
    AS_READ,
    AT_COLDEST,
    CHANNELS,
    FINE,
    FREE_WATER,
    LOOK,
    MET,
    WATCH,
    Goals,
    Quantity,
    Reason,
)

# A smaller gain is no rise: scale numbers, and percent of saturation.
LEAST_NUMBERS, LEAST_PERCENT = 1.0, 5.0
_TIMES_ERROR = 4.0
# Readings that must agree, and the share of a gain whose loss ends the rise.
_AGREE, _LOST = 3, 0.5
# A rise is taken to go on for so long at the most.
AHEAD_DAYS = 30.0
FAST_TIMES, FAST_DAYS = 4.0, 7.0
# The same readings are looked at one by one, as medians of six hours, and of days: so many of the newest.
_SPANS_DAYS = (0.0, 0.25, 1.0)
_NEWEST = 366
NONE, TOWARDS, PASSED = 0, 1, 2


@dataclass(frozen=True)
class Rise:
    """A rise that goes on now. Days since 1970; levels in units of the readings.

    `base` is its lowest level, `level` that of now (middle one of three). `stage` is TOWARDS or PASSED the
    limit, NONE where it is only `fast`.
    """

    since_days: float
    base: float
    now_days: float
    level: float
    stage: int
    fast: bool


def rise(
    days: Floats,
    values: Floats,
    limit: float = np.nan,
    least: float = LEAST_NUMBERS,
    errors: float | Floats = 0,
) -> Rise | None:
    """The most urgent rise of a series (n,) that goes on at its newest reading; None where there is none.

    `days` since 1970, oldest first; `limit` NaN for none; `errors`: what counting leaves open of each
    reading, one standard deviation in the units of `values`.
    """
    if len(days) < _AGREE:
        return None
    given = np.broadcast_to(np.asarray(errors, np.float64), values.shape)
    found = []
    for span in _SPANS_DAYS:
        one = _rise(*_medians(days, values, given, span), limit, least)
        if one is not None:
            found.append(one)
    return max(found, key=lambda one: (one.stage, one.fast, one.level - one.base), default=None)


def _medians(days: Floats, values: Floats, errors: Floats, span: float) -> tuple[Floats, Floats, Floats]:
    """The newest readings, as medians of spans that begin at whole multiples of `span` days.

    Spans stand still while a log grows, so that what was said of the older ones stays said.
    """
    if span == 0:
        return days[-_NEWEST:], values[-_NEWEST:], errors[-_NEWEST:]
    first = int(np.searchsorted(days, days[-1] - span * _NEWEST))
    days, values, errors = days[first:], values[first:], errors[first:]
    place = np.floor(days / span)
    starts = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
    ends = np.r_[starts[1:], len(days)]
    counts = (ends - starts).astype(np.float64)
    middle = medians_of(values, starts, ends - starts)
    # a median varies by pi / 2 more than a mean
    loss = np.where(counts > 2, np.pi / 2, 1.0)
    error = np.sqrt(np.add.reduceat(errors**2, starts) / counts**2 * loss)
    return days[ends - 1], middle, error


def _rise(days: Floats, values: Floats, errors: Floats, limit: float, least: float) -> Rise | None:
    if len(values) < _AGREE or np.ptp(values) < least:
        return None
    start, stage, fast = stages(days, values, errors, limit, least)[-1]
    if stage == NONE and not fast:
        return None
    base, level = (float(np.median(values[at : at + _AGREE])) for at in (start, len(values) - _AGREE))
    return Rise(float(days[start + _AGREE - 1]), base, float(days[-1]), level, stage, fast)


def stages(
    days: Floats, values: Floats, errors: Floats, limit: float, least: float
) -> list[tuple[int, int, bool]]:
    """What each reading from the third on shows: where its rise begins, its stage, and whether it is fast."""
    three = np.sort(np.lib.stride_tricks.sliding_window_view(values, _AGREE), axis=1)
    low, middle, high = three.T.tolist()
    when, error = days[_AGREE - 1 :].tolist(), errors[_AGREE - 1 :].tolist()
    start, top, stage, fast = 0, middle[0], NONE, False
    found = [(start, stage, fast)]
    for i in range(1, len(middle)):
        gained = top - middle[start]
        # a new lowest level, or half of the gain lost: the rise begins anew
        if middle[i] <= middle[start] or (gained >= least and high[i] < top - _LOST * gained):
            start, top, stage, fast = i, middle[i], NONE, False
            found.append((start, stage, fast))
            continue
        top = max(top, middle[i])
        gain, lasted = low[i] - middle[start], when[i] - when[start]
        needed = max(least, _TIMES_ERROR * math.hypot(error[i], error[start]))
        if gain >= needed and lasted > 0:
            if middle[i] > limit:
                stage = PASSED
            elif middle[i] + gain * min(1.0, AHEAD_DAYS / lasted) >= limit:
                stage = max(stage, TOWARDS)
            fast = fast or (gain >= max(FAST_TIMES * least, needed) and lasted <= FAST_DAYS)
        found.append((start, stage, fast))
    return found


# From so much of its limit on a value is near it (common practice, no source).
NEAR = 0.8
# How soon a person is needed when a rise has passed a limit, and when it goes towards it.
_LEVELS = {AT_COLDEST: (LOOK, WATCH)}
_USUAL = (ACT, LOOK)
_LOG2_E = float(1 / np.log(2))


def reasons(history: History, quantities: Sequence[Quantity], goals: Goals) -> list[Reason]:
    """Rises that go on now, each quantity's most urgent, and values near their limits."""
    return [*_rises(history, goals), *_near(quantities)]


def _rises(history: History, goals: Goals) -> Iterable[Reason]:
    found = {name: one for name, one in (*_particles(history, goals), *_water(history, goals)) if one}
    for name in (AT_COLDEST, FREE_WATER):
        # Free water from its beginning on, as its state says: no saturation tells how much.
        if name in found and found[name].base >= FULL_PERCENT:
            del found[name]
    about: dict[str, tuple[str, ...]] = {name: (name,) for name in found}
    # The same water goes past its limit at the coldest on its way to free water: one line for both.
    if FREE_WATER in found and found[FREE_WATER].stage != NONE and AT_COLDEST in found:
        del found[AT_COLDEST]
        about[FREE_WATER] = (FREE_WATER, AT_COLDEST)
    for name, one in found.items():
        passed, towards = _LEVELS.get(name, _USUAL)
        facts = {
            "name": name, "lasted_days": one.now_days - one.since_days, "base": one.base, "level": one.level,
        }  # fmt: skip
        level = {PASSED: passed, TOWARDS: towards, NONE: FINE}[one.stage]
        if one.stage != NONE:
            kind = "rose past limit" if one.stage == PASSED else "rises towards limit"
            yield Reason(level, kind, about[name], facts)
        if one.fast and level < LOOK:
            yield Reason(LOOK, "rises fast", about[name], facts)


def _particles(history: History, goals: Goals) -> Iterable[tuple[str, Rise | None]]:
    rows = count_rows(history)
    days = history.utc_ms[rows] / MS_PER_DAY
    levels = np.log2(never_none(history, rows))
    errors = _LOG2_E / np.sqrt(history.counts[rows] + 0.5)
    limits = np.log2(goals.limits_per_ml)
    for k, name in enumerate(CHANNELS):
        yield name, rise(days, levels[:, k], float(limits[k]), LEAST_NUMBERS, errors[:, k])


def _water(history: History, goals: Goals) -> Iterable[tuple[str, Rise | None]]:
    good = (history.water_verdict == VALID) & ~np.isnat(history.when) & np.isfinite(history.water_percent)
    rows = np.flatnonzero(good)
    percent, limit = history.water_percent[rows], goals.water_limit_percent
    days = history.utc_ms[rows] / MS_PER_DAY
    asked = np.nan if limit is None else limit
    yield AS_READ, rise(days, percent, asked, LEAST_PERCENT)
    known = np.isfinite(history.temperature_c[rows])
    if goals.coldest_c is None or not known.any():
        return
    # Constants of which nobody knows which hold may differ: the driest answer is sure.
    cold = at_coldest(
        percent[known], history.temperature_c[rows][known], goals.coldest_c, goals.solubility
    ).low_percent
    yield AT_COLDEST, rise(days[known], cold, asked, LEAST_PERCENT)
    yield FREE_WATER, rise(days[known], cold, FULL_PERCENT, LEAST_PERCENT)


def _near(quantities: Sequence[Quantity]) -> Iterable[Reason]:
    for one in quantities:
        if one.name in (*CHANNELS, AS_READ) and one.state == MET and one.value >= NEAR * one.limit:
            yield Reason(WATCH, "near limit", (one.name,), {"name": one.name, "value": one.value,
                         "limit": one.limit, "unit": one.unit})  # fmt: skip
