"""Which assets need a person, how soon, and why: in words, worst first."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from skidwright.judgement import forecast as ahead
from skidwright.judgement import targets, wetness
from skidwright.judgement.changes import Change
from skidwright.judgement.judge import Judgement
from skidwright.judgement.series import Series
from skidwright.judgement.told import WORTH_TELLING, is_now
from skidwright.judgement.wording import date, percent, span
from skidwright.register.model import AssetRecord
from skidwright.samples.coldest import saturation

ACT, LOOK, WATCH, FINE = 3, 2, 1, 0
WORDS = {ACT: "act", LOOK: "look soon", WATCH: "watch", FINE: "in order"}
# A change so many days ago or less is one of lately.
LATELY_DAYS = 30.0
SOON_DAYS, YEAR_DAYS = 30.0, 365.0
# Without an interval of its own an asset is silent after so many times its usual one, and not before so many
# days.
SILENT_TIMES, SILENT_DAYS = 3.0, 2.0


@dataclass(frozen=True)
class Reason:
    """Why an asset needs attention: how much (ACT, LOOK, WATCH) and a line."""

    level: int
    text: str


@dataclass(frozen=True)
class Attention:
    """An asset with its reasons, gravest first. `judgement` is None when it has no samples at all."""

    asset: AssetRecord
    reasons: tuple[Reason, ...]
    judgement: Judgement | None

    @property
    def level(self) -> int:
        return max((reason.level for reason in self.reasons), default=FINE)

    @property
    def word(self) -> str:
        return WORDS[self.level]


def ranked(
    judged: Iterable[Judgement], now: np.datetime64, never: Iterable[AssetRecord] = ()
) -> list[Attention]:
    """All assets, those that need attention most first. `now` is UTC; `never` are assets without any
    sample."""
    found = [Attention(one.asset, tuple(reasons(one, now)), one) for one in judged]
    unsampled = Reason(WATCH, "never sampled: no sample of it in this archive")
    found += [Attention(asset, (unsampled,), None) for asset in never]
    return sorted(found, key=_order)


def _order(one: Attention) -> tuple[float, ...]:
    judgement = one.judgement
    above = max(judgement.target.above, default=-99) if judgement else -99
    grave = sum(reason.level == one.level for reason in one.reasons)
    return (-one.level, -above if one.level == ACT else 0, -grave, -len(one.reasons), one.asset.number)


def reasons(one: Judgement, now: np.datetime64) -> list[Reason]:
    """Every reason for attention to one asset, gravest first."""
    newest = one.newest.astype("datetime64[ms]").astype(np.int64) / 86_400_000
    found = [*_target(one), *_water(one), *_charts(one), *_changes(one, newest)]
    found += [*_forecasts(one, newest), *_sampling(one, now), *_calibration(one, now)]
    return sorted(found, key=lambda reason: -reason.level)


def _target(one: Judgement) -> Iterable[Reason]:
    state = one.target
    if state.state == targets.NO_TARGET:
        yield Reason(WATCH, "no target set: nothing to judge its cleanliness by")
    elif state.state == targets.NO_VALID:
        yield Reason(LOOK, f"no valid count in {one.samples:,} samples")
    elif state.state == targets.NOT_MET:
        k = state.worst
        above = state.above[k]
        numbers = f"{above} scale number{'s' if above > 1 else ''}"
        yield Reason(ACT, f"dirtier than target: {one.particle_series.names[k]} {numbers} above it")
    elif state.state == targets.OPEN:
        word = "above" if max(state.above) > 0 else "at"
        level = LOOK if max(state.above) > 0 else WATCH
        yield Reason(
            level, f"{word} its target, though counting leaves open which side ({percent(state.chance)} met)"
        )
    if state.state != targets.NO_VALID and one.since_valid >= 3:
        yield Reason(LOOK, f"no valid count in the newest {one.since_valid:,} samples")


def _water(one: Judgement) -> Iterable[Reason]:
    state = one.water
    limit, low = one.asset.water_limit_percent, state.cold_percent[0]
    cold = saturation(*state.cold_percent, 1) if np.isfinite(low) else ""
    if state.state == wetness.NOT_MET:
        found = saturation(state.percent, state.percent, 1)
        yield Reason(ACT, f"wetter than its limit: {found}, limit {limit:g} %")
    if state.state == wetness.FREE or (state.state == wetness.NOT_MET and low >= 100):
        yield Reason(
            ACT,
            f"free water when cold: full below {state.free_below_c[0]:.0f} degC, and it gets down to "
            f"{state.cold_c:g} degC",
        )
    elif state.state == wetness.WHEN_COLD:
        yield Reason(
            LOOK, f"wetter than its limit when cold: {cold} at {state.cold_c:g} degC, limit {limit:g} %"
        )
    elif state.state == wetness.OPEN:
        yield Reason(
            WATCH,
            f"may be wetter than its limit when cold: {cold} at {state.cold_c:g} degC by published constants",
        )
    elif state.state == wetness.NO_VALID:
        yield Reason(LOOK, "water is measured, but no reading is valid")
    elif state.state == wetness.NO_LIMIT:
        yield Reason(WATCH, "no water limit set: nothing to judge its dryness by")


def _both(one: Judgement) -> tuple[Series, Series]:
    return one.particle_series, one.water_series


def _charts(one: Judgement) -> Iterable[Reason]:
    for series in _both(one):
        rising, first, away = [], np.inf, 0.0
        for alarm in series.alarms:
            if alarm.up and is_now(series, alarm):
                rising.append(series.names[alarm.series])
                first = min(first, float(series.points.days[alarm.first]))
                away = max(away, alarm.furthest)
        if rising:
            names = ", ".join(name.removesuffix(" um(c)") for name in rising)
            unit = " um(c)" if "um" in rising[0] else ""
            yield Reason(
                LOOK,
                f"above what is usual for it since {date(first)}: {names}{unit}, by up to "
                f"{away:.1f} {series.unit}",
            )


def _changes(one: Judgement, newest: float) -> Iterable[Reason]:
    for series in _both(one):
        stepped: dict[float, list[str]] = {}
        for k, changes in enumerate(series.changes):
            for change in changes[-1:]:
                if change.days >= newest - LATELY_DAYS and _stands(series, k, change):
                    name = series.names[k].removesuffix(" um(c)")
                    stepped.setdefault(change.days, []).append(f"{name} {change.step:+.1f}")
        if stepped:
            told = "; ".join(f"{date(day)}: {', '.join(names)}" for day, names in sorted(stepped.items()))
            yield Reason(LOOK, f"rose by a step on {told} {series.unit}")


def _stands(series: Series, k: int, change: Change) -> bool:
    """Whether a step up is worth telling, and at least half of it is still there."""
    values = series.points.values[:, k]
    left = float(np.median(values[-3:]) - np.median(values[max(change.at - 3, 0) : change.at]))
    return change.step >= WORTH_TELLING[series.unit] and left >= change.step / 2


def _forecasts(one: Judgement, newest: float) -> Iterable[Reason]:
    lines = [(one.particle_series.names[k], "target", found) for k, found in enumerate(one.forecasts)]
    lines.append((f"water at {one.water_series.reference}", "limit", one.water_forecast))
    for name, what, found in lines:
        if found is None or found.state != ahead.AHEAD:
            continue
        until = found.earliest_days - newest
        if until > YEAR_DAYS:
            continue
        end = (
            "later"
            if not np.isfinite(found.latest_days) or found.latest_days - newest > 20 * YEAR_DAYS
            else date(found.latest_days)
        )
        level = LOOK if until <= SOON_DAYS else WATCH
        yield Reason(level, f"{name} rising: passes its {what} between {date(found.earliest_days)} and {end}")


def _sampling(one: Judgement, now: np.datetime64) -> Iterable[Reason]:
    if np.isnat(one.newest):
        yield Reason(WATCH, "no sample has a known time: connect the board to a host once in a while")
        return
    ago = (now - one.newest) / np.timedelta64(1, "D")
    interval_h = one.asset.interval_h
    if interval_h is not None:
        due = interval_h / 24
        if ago > due * 1.1:
            level = LOOK if ago > 2 * due else WATCH
            yield Reason(level, f"sampling overdue: newest sample {span(ago)} old, due every {span(due)}")
    elif ago > max(SILENT_TIMES * one.usual_days, SILENT_DAYS):
        yield Reason(WATCH, f"no sample for {span(ago)}, usually every {span(one.usual_days)}")


def _calibration(one: Judgement, now: np.datetime64) -> Iterable[Reason]:
    if not np.isnat(one.due_day) and now > one.due_day:
        yield Reason(WATCH, f"the counter's calibration ran out on {one.due_day}")
