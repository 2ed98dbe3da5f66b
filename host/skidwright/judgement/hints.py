"""What a pattern may come from: never a diagnosis, always with its figures and what else it could be.

Each pattern is common practice in the trade (no source); each has a threshold in size and one in certainty,
so that chance seldom makes a hint (measured by `make trends`).
"""

from collections.abc import Sequence

import numpy as np

from skidwright.judgement import events as book
from skidwright.judgement import patterns
from skidwright.judgement.around import LEAST_STEP, Levels, Step, levels, step_at
from skidwright.judgement.events import Event
from skidwright.judgement.hint import Hint
from skidwright.judgement.patterns import LOOK_BACK_DAYS
from skidwright.judgement.points import MS_PER_DAY
from skidwright.judgement.series import Series
from skidwright.judgement.wording import date, sizes, steps
from skidwright.samples.history import History

MOST_EVENTS = 30


def hints(
    history: History, particles: Series, water: Series, happened: Sequence[Event], has_cooler: bool = False
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


def _of_event(found: Levels, event: Event) -> list[Hint]:
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


def _evidence(step: Step) -> str:
    return (
        f"{sizes(range(4))}: {steps(step.step)} scale numbers, from the {step.before} valid samples before "
        f"to the {step.after} after (one sample scatters by {', '.join(f'{x:.2f}' for x in step.noise)})"
    )


def _unexplained(particles: Series, recent: Sequence[Event], since: float) -> list[Hint]:
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
