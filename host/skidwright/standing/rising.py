"""Reasons out of what can be seen to rise towards a limit, or stands just below it (`judgement.approach`)."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from skidwright.judgement.approach import LEAST_NUMBERS, LEAST_PERCENT, NONE, PASSED, TOWARDS, Rise, rise
from skidwright.judgement.points import MS_PER_DAY, count_rows, never_none
from skidwright.samples.coldest import FULL_PERCENT, at_coldest
from skidwright.samples.history import VALID, History
from skidwright.standing.goals import Goals
from skidwright.standing.quantity import (
    ACT,
    AS_READ,
    AT_COLDEST,
    CHANNELS,
    FINE,
    FREE_WATER,
    LOOK,
    MET,
    WATCH,
    Quantity,
    Reason,
)

# From so much of its limit on a value is near it (common practice, no source).
NEAR = 0.8
# How soon a person is needed when a rise has passed a limit, and when it goes towards it.
_LEVELS = {AT_COLDEST: (LOOK, WATCH)}
_USUAL = (ACT, LOOK)
_LOG2_E = float(1 / np.log(2))


def reasons(history: History, quantities: Sequence[Quantity], goals: Goals) -> list[Reason]:
    """Rises that go on now, each quantity's gravest, and values near their limits."""
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
