"""Everything said of one asset over time, brought together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skidwright.judgement import events as book
from skidwright.judgement import patterns
from skidwright.judgement.events import MachineEvent
from skidwright.judgement.patterns import LEAST_STEP, LOOK_BACK_DAYS, Hint, Levels, LevelStep, levels, step_at
from skidwright.judgement.points import MS_PER_DAY
from skidwright.judgement.series import Series, particle_series, water_series
from skidwright.judgement.trend import Forecast, forecast
from skidwright.register.model import AssetRecord
from skidwright.samples.history import VALID, History
from skidwright.wording import date, sizes, steps

MOST_EVENTS = 30


def hints(
    history: History,
    particles: Series,
    water: Series,
    happened: Sequence[MachineEvent],
    has_cooler: bool = False,
) -> list[Hint]:
    """All hints on an asset from its newest 90 days, newest first.

    `particles` and `water` are its judged series, `happened` its events in order.
    """
    dated = history.when[~np.isnat(history.when)]
    if not len(dated):
        return []
    since = dated[-1].astype(np.int64) / MS_PER_DAY - LOOK_BACK_DAYS
    found = levels(history, since)
    recent = [event for event in happened if event.days >= since][-MOST_EVENTS:]
    told = [hint for event in recent for hint in _of_event(found, event)]
    told += _unexplained(particles, recent, since)
    told += patterns.large_only(particles)
    told += patterns.metal(history, dated[-1].astype(np.int64))
    told += patterns.water(water, particles, has_cooler)
    told += patterns.starts(history, found, recent, since)
    return sorted(told, key=lambda hint: -hint.days)


def _of_event(found: Levels, event: MachineEvent) -> list[Hint]:
    step = step_at(found, event.days)
    if step is None:
        return []
    up, still = step.up(), step.still()
    at = date(event.days)
    if event.kind in (book.TOP_UP, book.FLUID) and up[:3].all():
        return [
            Hint(
                "dirt with new fluid",
                event.days,
                f"All channels rose when fluid was put in on {at}.",
                _evidence(step),
                "the new fluid, or what it was filled with, was not clean: fluid is best filtered whenever "
                "it is moved, new fluid included (common practice, no source)",
                "settled dirt stirred up by the filling; air drawn in; work on the machine at the same time",
            )
        ]
    if event.kind == book.FILTER and up[:2].all() and still[2]:
        return [
            Hint(
                "fines after a filter change",
                event.days,
                f"The fine channels rose after the filter change of {at}, the coarse ones did not.",
                _evidence(step),
                "the new element lets finer particles pass than the old one did, or gives off fines at first",
                "dirt disturbed by the work, which should be gone after a few passes; fine air bubbles",
            )
        ]
    if event.kind == book.FILTER and up[:3].all():
        return [
            Hint(
                "all sizes after a filter change",
                event.days,
                f"All channels rose after the filter change of {at}.",
                _evidence(step),
                "the element or its seal does not sit, or the by-pass stays open",
                "dirt disturbed by the work, which should be gone after a few passes; air in the line",
            )
        ]
    return []


def _evidence(step: LevelStep) -> str:
    return (
        f"{sizes(range(4))}: {steps(step.step)} scale numbers, from the {step.before} valid samples before "
        f"to the {step.after} after (one sample scatters by {', '.join(f'{x:.2f}' for x in step.noise)})"
    )


def _unexplained(particles: Series, recent: Sequence[MachineEvent], since: float) -> list[Hint]:
    """All code channels up at one time, with nothing in the book that day."""
    told = []
    for change in particles.changes[0]:
        others = [next((c for c in particles.changes[k] if abs(c.at - change.at) <= 2), None) for k in (1, 2)]
        if (
            change.days < since
            or change.step < LEAST_STEP
            or any(c is None or c.step < LEAST_STEP for c in others)
        ):
            continue
        if any(abs(event.days - change.days) <= 2 for event in recent):
            continue
        rise = [change.step, *(c.step for c in others if c is not None)]
        told.append(
            Hint(
                "dirt from outside",
                change.days,
                f"All channels rose together about {date(change.days)}; nothing is in the book for that day.",
                f"{sizes(range(3))}: {steps(np.array(rise))} scale numbers at the change point",
                "dirt came in: a top-up or repair that was not written down, a breather or seal",
                "the filter's by-pass opened; a change of duty, speed or sampling point",
            )
        )
    return told


@dataclass(frozen=True)
class Judgement:
    """One asset judged. Forecasts stand in the order of the series: four particle sizes; water apart.

    `samples` and `valid` are numbers of samples, `since_valid` how many of the newest have no valid count,
    `usual_days` the usual time from one sample to the next.
    """

    asset: AssetRecord
    samples: int
    valid: int
    since_valid: int
    newest: np.datetime64
    usual_days: float
    particle_series: Series
    water_series: Series
    water_at_c: float
    forecasts: tuple[Forecast | None, ...]
    water_forecast: Forecast | None
    hints: tuple[Hint, ...]


def judge(
    history: History,
    asset: AssetRecord,
    happened: Sequence[MachineEvent] = (),
    limits_per_ml: ArrayLike = (np.nan,) * 4,
    water_limit_percent: float = np.nan,
) -> Judgement:
    """Judge an asset over time by its history; `happened` is what was done to it, in order.

    How it stands against its target and limit at a moment is for `skidwright.standing` to say, which hands
    in what the lines are asked to reach: particles per mL of the four sizes, and water at the coldest in
    percent; NaN for what nothing is asked of.
    """
    particles = particle_series(history)
    water, at_c = water_series(history, asset)
    dated = history.when[~np.isnat(history.when)]
    spacing = np.diff(dated[-60:]).astype(np.int64) / 86_400_000
    valid = history.counts_verdict == VALID
    since_valid = int(np.argmax(valid[::-1])) if valid.any() else len(history)
    return Judgement(
        asset=asset,
        samples=len(history),
        valid=int(valid.sum()),
        since_valid=since_valid,
        newest=dated[-1] if len(dated) else np.datetime64("NaT", "ms"),
        usual_days=float(np.median(spacing)) if len(spacing) else np.nan,
        particle_series=particles,
        water_series=water,
        water_at_c=at_c,
        forecasts=tuple(
            None if np.isnan(limit) else forecast(particles.trends[k], limit)
            for k, limit in enumerate(np.log2(np.asarray(limits_per_ml, np.float64)).tolist())
        ),
        water_forecast=(
            None
            if np.isnan(water_limit_percent) or not len(water.points)
            else forecast(water.trends[0], water_limit_percent)
        ),
        hints=tuple(hints(history, particles, water, happened, _has_cooler(asset))),
    )


def _has_cooler(asset: AssetRecord) -> bool:
    said = [asset.machine, asset.name, asset.notes, *(f"{c.type} {c.note}" for c in asset.components)]
    return any("cooler" in text.lower() or "heat exchanger" in text.lower() for text in said)
