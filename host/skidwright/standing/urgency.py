"""How soon a person is needed, and why: reasons as plain values, most urgent first. `words` puts them into
words.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from skidwright.judgement import trend as ahead
from skidwright.judgement.changes import Change
from skidwright.judgement.in_words import WORTH_TELLING, is_now
from skidwright.judgement.judge import Judgement
from skidwright.judgement.series import Series
from skidwright.standing.goals import (
    ACT,
    AT_COLDEST,
    CHANNELS,
    FREE_WATER,
    LOOK,
    NO_GOAL,
    NO_VALID,
    NOT_MEASURED,
    NOT_MET,
    OLD_TIMES,
    OPEN,
    WATCH,
    WATERS,
    Goals,
    Quantity,
    Reason,
)

# A change so many days ago or less is one of lately.
LATELY_DAYS = 30.0
SOON_DAYS, YEAR_DAYS = 30.0, 365.0
# Without an interval of its own an asset is silent after so many times its usual one, and not before so many
# days. With one it is overdue a little after it.
SILENT_TIMES, SILENT_DAYS, OVERDUE_TIMES = 3.0, 2.0, 1.1
# So many of the newest samples without a valid count are more than an odd one.
FEW_INVALID = 3


def reasons(
    one: Judgement,
    particles: Sequence[Quantity],
    water: Sequence[Quantity],
    goals: Goals,
    now: np.datetime64,
    dues: Mapping[str, datetime.date | None],
    hidden: Sequence[str],
    rising: Sequence[Reason] = (),
) -> list[Reason]:
    """Every reason for attention to one asset, most urgent first.

    `dues`: when each calibration runs out, None for never made; `hidden`: what cannot be read and may be
    newer than what is judged, a line each; `rising`: what `standing.rising` sees.
    """
    newest = one.newest.astype("datetime64[ms]").astype(np.int64) / 86_400_000
    found = [*_target(one, particles), *_water(water), *_hidden(hidden), *_old(particles, water, goals)]
    found += rising
    found += [*_charts(one), *_changes(one, newest), *_forecasts(one, newest)]
    found += [*_sampling(one, goals, now), *_calibrations(dues, goals, now)]
    return sorted(found, key=lambda reason: -reason.level)


def never_sampled() -> Reason:
    """Of an asset that is known and has no sample."""
    return Reason(WATCH, "never sampled")


def _target(one: Judgement, sizes: Sequence[Quantity]) -> Iterable[Reason]:
    asked = [size for size in sizes if size.state != NO_GOAL and size.asked is not None]
    if any(size.state in (NO_VALID, NOT_MEASURED) for size in sizes):
        if any(size.state == NO_VALID for size in sizes):
            yield Reason(LOOK, "no valid count", CHANNELS, {"samples": one.samples})
        elif asked:
            yield Reason(LOOK, "counts not measured", CHANNELS)
        return
    if not asked:
        yield Reason(WATCH, "no target", CHANNELS)
    over = [size for size in asked if size.state == NOT_MET]
    leaves = [size for size in asked if size.state == OPEN]
    if over:
        worst = max(over, key=lambda size: (size.above or 0, -size.least))
        facts = {"worst": worst.name, "above": max(worst.above or 0, 1), "times": worst.value / worst.limit}
        yield Reason(ACT, "dirtier than target", tuple(size.name for size in over), facts)
    if leaves:
        worst = min(leaves, key=lambda size: size.least + size.most)
        likely = (worst.least + worst.most) / 2 < 0.5
        facts = {"worst": worst.name, "least": worst.least, "likely": likely}
        yield Reason(LOOK if likely else WATCH, "target open", tuple(size.name for size in leaves), facts)
    if one.since_valid >= FEW_INVALID:
        yield Reason(LOOK, "no valid count lately", CHANNELS, {"samples": one.since_valid})


def _water(water: Sequence[Quantity]) -> Iterable[Reason]:
    facts: dict[str, Any]
    read, cold, free = water
    if read.state == NOT_MEASURED:
        return
    if read.state == NO_VALID:
        yield Reason(LOOK, "no valid water", WATERS)
        return
    if read.state == NOT_MET:
        about = (read.name, AT_COLDEST) if cold.state == NOT_MET else (read.name,)
        yield Reason(ACT, "wetter than limit", about, {"percent": read.value, "limit": read.limit})
    elif read.state == OPEN:
        facts = {"percent": read.value, "limit": read.limit, "chance": read.least}
        yield Reason(LOOK if read.least < 0.5 else WATCH, "water open", (read.name,), facts)
    facts = {"percent": (free.value, free.value_high), "at_c": free.at_c, "chance": free.least}
    if free.state == NOT_MET:
        about = (FREE_WATER, AT_COLDEST) if cold.state == NOT_MET else (FREE_WATER,)
        yield Reason(ACT, "free water", about, facts)
    elif free.state == OPEN:
        wetter = free.value >= free.limit
        yield Reason(
            LOOK if wetter else WATCH, "free water open", (FREE_WATER,), facts | {"cause": free.cause}
        )
    facts = {
        "percent": (cold.value, cold.value_high), "at_c": cold.at_c, "limit": cold.limit,
        "chance": cold.least, "cause": cold.cause,
    }  # fmt: skip
    if cold.state == NOT_MET:
        # What is over its limit already, or comes out as free water, has been said.
        if NOT_MET not in (read.state, free.state):
            yield Reason(LOOK, "wetter when cold", (AT_COLDEST,), facts)
    elif cold.state == OPEN:
        yield Reason(WATCH, "wetter when cold open", (AT_COLDEST,), facts)
    if read.state == NO_GOAL:
        yield Reason(WATCH, "no water limit", (read.name, AT_COLDEST))


def _hidden(hidden: Sequence[str]) -> Iterable[Reason]:
    if hidden:
        yield Reason(LOOK, "unread", (*CHANNELS, *WATERS), {"lines": tuple(hidden)})


def _old(particles: Sequence[Quantity], water: Sequence[Quantity], goals: Goals) -> Iterable[Reason]:
    """What is judged by samples that are too old to say how things are now."""
    told = (("counts", CHANNELS, particles[0]), ("water", WATERS, water[0]))
    old = [(what, about, one) for what, about, one in told if is_old(one, goals)]
    if old:
        about = tuple(name for _, names, _ in old for name in names)
        age = max(one.age_days for _, _, one in old)
        what = " and ".join(what for what, _, _ in old)
        yield Reason(LOOK, "old", about, {"what": what, "age_days": age, "oldest_days": goals.oldest_days})


def is_old(one: Quantity, goals: Goals) -> bool:
    """Whether a quantity rests on samples that are older than allowed; False where their time is not
    known.
    """
    return bool(one.rows) and one.age_days > goals.oldest_days


def _both(one: Judgement) -> tuple[tuple[Series, tuple[str, ...]], ...]:
    return (one.particle_series, CHANNELS), (one.water_series, (AT_COLDEST,))


def _charts(one: Judgement) -> Iterable[Reason]:
    for series, names in _both(one):
        rising: list[int] = []
        first, away = np.inf, 0.0
        for alarm in series.alarms:
            if alarm.up and is_now(series, alarm):
                rising.append(alarm.series)
                first = min(first, float(series.points.days[alarm.first]))
                away = max(away, alarm.furthest)
        if rising:
            facts = {
                "names": [series.names[k] for k in rising], "since_days": first, "away": away,
                "unit": series.unit,
            }  # fmt: skip
            yield Reason(LOOK, "above usual", tuple(names[k] for k in sorted(set(rising))), facts)


def _changes(one: Judgement, newest: float) -> Iterable[Reason]:
    for series, names in _both(one):
        stepped: dict[float, list[tuple[str, float]]] = {}
        about = []
        for k, changes in enumerate(series.changes):
            for change in changes[-1:]:
                if change.days >= newest - LATELY_DAYS and _stands(series, k, change):
                    stepped.setdefault(change.days, []).append((series.names[k], change.step))
                    about.append(names[k])
        if stepped:
            yield Reason(LOOK, "rose by a step", tuple(about), {"steps": stepped, "unit": series.unit})


def _stands(series: Series, k: int, change: Change) -> bool:
    """Whether a step up is worth telling, and at least half of it is still there."""
    values = series.points.values[:, k]
    left = float(np.median(values[-3:]) - np.median(values[max(change.at - 3, 0) : change.at]))
    return change.step >= WORTH_TELLING[series.unit] and left >= change.step / 2


def _forecasts(one: Judgement, newest: float) -> Iterable[Reason]:
    lines = [
        (one.particle_series.names[k], "target", CHANNELS[k], found) for k, found in enumerate(one.forecasts)
    ]
    lines.append((f"water at {one.water_series.reference}", "limit", AT_COLDEST, one.water_forecast))
    for name, what, about, found in lines:
        if found is None or found.state != ahead.AHEAD:
            continue
        until = found.earliest_days - newest
        if until > YEAR_DAYS:
            continue
        later = not np.isfinite(found.latest_days) or found.latest_days - newest > 20 * YEAR_DAYS
        facts = {
            "name": name, "what": what, "earliest_days": found.earliest_days,
            "latest_days": np.inf if later else found.latest_days,
        }  # fmt: skip
        yield Reason(LOOK if until <= SOON_DAYS else WATCH, "passes ahead", (about,), facts)


def _sampling(one: Judgement, goals: Goals, now: np.datetime64) -> Iterable[Reason]:
    if np.isnat(one.newest):
        yield Reason(WATCH, "no time")
        return
    ago = float((now - one.newest) / np.timedelta64(1, "D"))
    interval_h = one.asset.interval_h
    if interval_h is not None:
        due = interval_h / 24
        if ago > due * OVERDUE_TIMES:
            level = LOOK if ago > OLD_TIMES * due else WATCH
            yield Reason(level, "overdue", facts={"age_days": ago, "due_days": due})
    elif ago > max(SILENT_TIMES * one.usual_days, SILENT_DAYS):
        yield Reason(WATCH, "silent", facts={"age_days": ago, "usual_days": one.usual_days})


def _calibrations(
    dues: Mapping[str, datetime.date | None], goals: Goals, now: np.datetime64
) -> Iterable[Reason]:
    for what, due in dues.items():
        if due is None:
            continue
        left = days_left(due, now)
        if left < 0:
            yield Reason(WATCH, "calibration over", facts={"what": what, "due": due})
        elif left <= goals.notice_days:
            yield Reason(WATCH, "calibration ends", facts={"what": what, "due": due, "left_days": left})


def days_left(due: datetime.date, now: np.datetime64) -> int:
    """Whole days to the last day on which a calibration holds; negative when it has run out."""
    return int((np.datetime64(due, "D") - now.astype("datetime64[D]")) / np.timedelta64(1, "D"))
