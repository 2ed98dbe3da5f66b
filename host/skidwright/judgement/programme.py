"""All assets of an archive judged together: logs, register and skid.toml in, a ranking out."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from skidwright.judgement.attention import Attention, ranked
from skidwright.judgement.events import Event, joined, marks
from skidwright.judgement.judge import Judgement, judge
from skidwright.register import FILE_NAME, KnownAssets
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import History, histories


def assess(
    logs: Sequence[Assessment],
    known: KnownAssets,
    archive: Path,
    now: np.datetime64,
    only: Sequence[int] = (),
    as_of_then: bool = False,
) -> list[Attention]:
    """All assets, or those in `only`, worst first, at `now` (UTC).

    With `as_of_then` later samples and events are left out: how things stood at that time. Assets that
    are known but have no sample come along. Raises OSError and RegisterError.
    """
    found = histories(logs, only)
    booked = book_of(archive)
    marked = marks(logs)
    judged = []
    for number in list(found):
        history = found.pop(number)  # each history is let go of once it is judged
        if as_of_then:
            history = history.until(now)
        happened = joined(marked, booked.get(number, []))
        if as_of_then:
            happened = [e for e in happened if e.utc_ms <= now.astype("datetime64[ms]").astype(np.int64)]
        if len(history):
            judged.append(judge_one(history, known, happened))
    there = {one.asset.number for one in judged}
    never = [a for n, a in known.items() if n not in there and (not only or n in only)]
    return ranked(judged, now, never)


def judge_one(history: History, known: KnownAssets, happened: Sequence[Event] = ()) -> Judgement:
    """One asset judged with what is known of it."""
    config = known.config
    due = config.counter.calibration_due
    return judge(history, known.asset(history.asset), config.limits(), happened, due)


def book_of(archive: Path) -> dict[int, list[Event]]:
    """What the register of an archive says was done, by asset; nothing where there is no register."""
    if not (archive / FILE_NAME).exists():
        return {}
    from skidwright.register import Register

    found: dict[int, list[Event]] = {}
    with Register.open(archive) as register:
        for entry in register.events():
            found.setdefault(entry.asset, []).append(Event(entry.utc_ms, entry.kind, entry.text))
    return found
