"""How sure it is how a machine stands, and every reason that takes something away from that."""

from __future__ import annotations

import datetime
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from skidwright.samples.history import ABSENT, JUDGED, UNCHECKED, VALID, History
from skidwright.standing.goals import OPEN, Goals, Quantity
from skidwright.standing.urgency import days_left, is_old
from skidwright.wording import span

HIGH, FAIR, LOW, NONE = "high", "fair", "low", "none"
RECENT = 20
_NEVER = {
    "counter": "Nobody said when the counter's calibration runs out, so absolute numbers are unproven.",
    "flow meter": "The flow meter was never calibrated, by the board's settings: every concentration rests "
    "on it.",
    "current loops": "The current loops' inputs were never calibrated.",
}
_NAMES = {"counter": "counter", "flow meter": "flow meter", "current loops": "current loop input"}


@dataclass(frozen=True)
class Sureness:
    """`word` is high, fair, low or none; `reasons` are sentences."""

    word: str
    reasons: tuple[str, ...]


def sureness(
    history: History,
    particles: Sequence[Quantity],
    water: Sequence[Quantity],
    goals: Goals,
    now: np.datetime64,
    dues: Mapping[str, datetime.date | None],
    hidden: Sequence[str],
    complete: bool,
) -> Sureness:
    """`complete`: the logs are whole and every record of them was verified; the rest as in `urgency`."""
    verdicts = history.counts_verdict[-RECENT:]
    valid = int((verdicts == VALID).sum())
    if not valid:
        lacking = [f"None of the newest {len(verdicts)} samples has a valid count."]
        if coded := int((verdicts == UNCHECKED).sum()):
            lacking.append(f"{coded} of them have a code and no counts, which cannot be checked.")
        return Sureness(NONE, tuple(lacking))
    doubts = 0
    reasons = [f"{valid} of the newest {len(verdicts)} samples have valid counts."]
    if valid < len(verdicts) / 2 or valid < JUDGED:
        doubts += 2
    elif valid < 0.8 * len(verdicts):
        doubts += 1
    since = int(np.flatnonzero(history.counts_verdict[::-1] == VALID)[0])
    if since >= JUDGED:
        doubts += 2
        reasons.append(f"The newest {since} samples are not valid, so the present state may have moved on.")
    doubts += _water(history, reasons)
    doubts += _age(particles, water, goals, reasons)
    codes = history.code[history.counts_verdict == VALID][-JUDGED:, :3].astype(int)
    spread = int((codes.max(axis=0) - codes.min(axis=0)).max())
    if spread <= 1:
        reasons.append("The newest valid samples agree within one scale number.")
    else:
        doubts += 1
        reasons.append(f"The newest valid samples differ by up to {spread} scale numbers.")
    if any(one.state == OPEN for one in (*particles, *water)):
        doubts += 1
        reasons.append("What is so near its limit is not decided by these samples.")
    for words, over in _calibrations(dues, goals, now):
        doubts += over
        reasons.append(words)
    if hidden:
        doubts += 2
        reasons.append(
            "Records that cannot be read may be newer than what is judged; see the statement on integrity."
        )
    elif not complete:
        doubts += 1
        reasons.append("The log is not complete; see the statement on integrity.")
    else:
        reasons.append("The log is complete and every record was verified.")
    return Sureness(HIGH if doubts == 0 else FAIR if doubts == 1 else LOW, tuple(reasons))


def _water(history: History, reasons: list[str]) -> int:
    """Doubts about the water readings, where any are taken; why goes to `reasons`."""
    verdicts = history.water_verdict[-RECENT:]
    measured = verdicts[verdicts != ABSENT]
    if not len(measured):
        return 0
    valid = int((measured == VALID).sum())
    reasons.append(f"{valid} of the newest {len(measured)} have valid water.")
    return 1 if valid < 0.8 * len(measured) or not (measured[-JUDGED:] == VALID).any() else 0


def _age(particles: Sequence[Quantity], water: Sequence[Quantity], goals: Goals, reasons: list[str]) -> int:
    """Doubts about how long ago the newest valid samples were taken."""
    if np.isnan(particles[0].age_days):
        reasons.append("Nobody knows when the newest valid sample was taken.")
        return 2
    old = max((one.age_days for one in (particles[0], water[0]) if is_old(one, goals)), default=None)
    if old is None:
        reasons.append(f"The newest valid sample is {span(max(particles[0].age_days, 0.0))} old.")
        return 0
    reasons.append(
        f"What is judged is {span(old)} old, more than {span(goals.oldest_days)}: the present state may have "
        "moved on."
    )
    return 2


def _calibrations(
    dues: Mapping[str, datetime.date | None], goals: Goals, now: np.datetime64
) -> list[tuple[str, bool]]:
    """What is known of each calibration that a count rests on, and whether that takes something away.

    A loop's input counts for water only, where a limit is asked, and is told with it where its date has
    gone by.
    """
    told = []
    for what, due in dues.items():
        if what == "current loops" and goals.water_limit_percent is None:
            continue
        if due is None:
            told.append((_NEVER[what], what != "current loops"))
            continue
        left = days_left(due, now)
        if left < 0:
            words = f"The {_NAMES[what]}'s calibration ran out on {due}."
        elif left <= goals.notice_days:
            when = "today" if left == 0 else "in 1 day" if left == 1 else f"in {left} days"
            words = f"The {_NAMES[what]}'s calibration runs out {when}, on {due}: renew it."
        else:
            words = f"The {_NAMES[what]}'s calibration runs until {due}."
        told.append((words, left < 0 and what != "current loops"))
    return told
