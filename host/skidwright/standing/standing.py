"""How one machine stands at a moment, out of its history and what is asked of it; and all of an archive."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from skidwright.calibration.document import due_days
from skidwright.config import Config
from skidwright.judgement.events import MachineEvent, joined, marks
from skidwright.judgement.judge import Judgement, judge
from skidwright.judgement.scatter import between_samples
from skidwright.register import FILE_NAME, KnownAssets
from skidwright.register.model import AssetRecord
from skidwright.samples import unreadable
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import JUDGED, VALID, History, histories
from skidwright.standing import how_sure, rising, urgency
from skidwright.standing.goals import ACT, FINE, WORDS, Goals, Quantity, Reason, goals_of
from skidwright.standing.how_sure import NONE, Sureness
from skidwright.standing.particles import particles
from skidwright.standing.water import water


@dataclass(frozen=True)
class Standing:
    """An asset at the moment `now` (UTC). `particles` are the four sizes, `water` its three quantities.

    `reasons` are most urgent first; `hidden` is what cannot be read and may be newer than what is judged.
    `judgement` (over time) is None when it has no samples at all.
    """

    asset: AssetRecord
    goals: Goals
    now: np.datetime64
    particles: tuple[Quantity, ...]
    water: tuple[Quantity, Quantity, Quantity]
    reasons: tuple[Reason, ...]
    sureness: Sureness
    hidden: tuple[str, ...]
    judgement: Judgement | None

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """All seven."""
        return (*self.particles, *self.water)

    @property
    def level(self) -> int:
        """How soon a person is needed: that of the most urgent reason."""
        return max((reason.level for reason in self.reasons), default=FINE)

    @property
    def word(self) -> str:
        """The level in words: act, look soon, watch, in order."""
        return WORDS[self.level]

    def level_of(self, name: str) -> int:
        """How soon a person is needed for one quantity."""
        return max((reason.level for reason in self.reasons if name in reason.about), default=FINE)

    @property
    def code(self) -> tuple[int, ...]:
        """Median scale numbers of the samples that decide, three of them; () for none."""
        return tuple(one.number for one in self.particles[:3] if one.number is not None)


def stand(
    history: History,
    asset: AssetRecord,
    goals: Goals,
    now: np.datetime64,
    happened: Sequence[MachineEvent] = (),
    dues: Mapping[str, datetime.date | None] | None = None,
    hidden: Sequence[str] = (),
    complete: bool = True,
) -> Standing:
    """How an asset stands by its history, which must have a sample.

    `happened`: what was done to it. `dues`: when each calibration runs out (`calibration.due`). `hidden`,
    `complete`: what damage may have taken, see `urgency` and `sureness`.
    """
    over_time = judge(history, asset, happened, goals.limits_per_ml, goals.trend_water_percent)
    when_due = {} if dues is None else dues
    scatter = between_samples(history, asset)
    sizes, wet = particles(history, goals, now, scatter), water(history, goals, now, scatter)
    return Standing(
        asset, goals, now, sizes, wet,
        tuple(urgency.reasons(over_time, sizes, wet, goals, now, when_due, hidden,
                              rising.reasons(history, (*sizes, *wet), goals))),
        how_sure.sureness(history, sizes, wet, goals, now, when_due, hidden, complete),
        tuple(hidden), over_time,
    )  # fmt: skip


def never_sampled(asset: AssetRecord, goals: Goals, now: np.datetime64) -> Standing:
    """How an asset stands of which there is no sample."""
    from skidwright.samples.history import of_arrays

    nothing = of_arrays(np.zeros(0, "datetime64[ms]"), asset=asset.number)
    unsure = Sureness(NONE, ("There is no sample of it.",))
    return Standing(
        asset, goals, now, particles(nothing, goals, now), water(nothing, goals, now),
        (urgency.never_sampled(),), unsure, (), None,
    )  # fmt: skip


def of_history(
    history: History,
    known: KnownAssets,
    now: np.datetime64,
    logs: Sequence[Assessment],
    happened: Sequence[MachineEvent] = (),
) -> Standing:
    """How an asset stands by its history out of `logs`, which are all of the archive. Raises OSError."""
    asset = known.asset(history.asset)
    return stand(
        history, asset, goals_of(asset, known.config), now, happened,
        due_days(history, known.config), hidden_since(history, logs),
        all(log.chain.ok and not log.report.damaged_records and not log.report.missing_records
            for log in history.logs),
    )  # fmt: skip


def at_moment(
    history: History,
    asset: AssetRecord,
    config: Config,
    utc_ms: int,
    logs: Sequence[Assessment],
    archive: Path,
    dues: Mapping[str, datetime.date | None],
) -> Standing | None:
    """How an asset stood then, by what was sampled and done by that time; None with no sample by then.

    Of what cannot be read nothing is said. Raises RegisterError.
    """
    now = np.datetime64(utc_ms, "ms")
    history = history.until(now)
    if not len(history):
        return None
    events = joined(marks(logs), book_of(archive).get(asset.number, []))
    done = [event for event in events if event.utc_ms <= utc_ms]
    return stand(history, asset, goals_of(asset, config), now, done, dues)


def hidden_since(history: History, logs: Sequence[Assessment]) -> list[str]:
    """What of all `logs` cannot be read and may be newer than the oldest sample that is judged, a line each.

    Raises OSError when a log cannot be read.
    """
    newest = [
        np.flatnonzero(verdict == VALID)[-JUDGED:]
        for verdict in (history.counts_verdict, history.water_verdict)
    ]
    oldest = [int(rows[0]) for rows in newest if len(rows)]
    return unreadable.listed(
        unreadable.since(history, min(oldest, default=max(len(history) - JUDGED, 0)), logs)
    )


def standings(
    logs: Sequence[Assessment],
    known: KnownAssets,
    archive: Path,
    now: np.datetime64,
    only: Sequence[int] = (),
    as_of_then: bool = False,
) -> list[Standing]:
    """All assets, or those in `only`, those that need attention most first, at `now` (UTC).

    With `as_of_then` later samples and events are left out: how things stood at that time. Assets that
    are known but have no sample come along. Raises OSError and RegisterError.
    """
    found = histories(logs, only)
    booked, marked = book_of(archive), marks(logs)
    made = []
    for number in list(found):
        history = found.pop(number)  # each history is let go of once it is judged
        events = joined(marked, booked.get(number, []))
        if as_of_then:
            history = history.until(now)
            events = [e for e in events if e.utc_ms <= now.astype("datetime64[ms]").astype(np.int64)]
        if len(history):
            made.append(of_history(history, known, now, logs, events))
    there = {one.asset.number for one in made}
    for number, asset in known.items():
        if number not in there and (not only or number in only):
            made.append(never_sampled(asset, goals_of(asset, known.config), now))
    return ranked(made)


def ranked(made: Iterable[Standing]) -> list[Standing]:
    """Those that need attention most first."""
    return sorted(made, key=_order)


def _order(one: Standing) -> tuple[float, ...]:
    above = max((size.above for size in one.particles if size.above is not None), default=-99)
    equally = sum(reason.level == one.level for reason in one.reasons)
    return (-one.level, -above if one.level == ACT else 0, -equally, -len(one.reasons), one.asset.number)


def book_of(archive: Path) -> dict[int, list[MachineEvent]]:
    """What the register of an archive says was done, by asset; nothing where there is no register."""
    if not (archive / FILE_NAME).exists():
        return {}
    from skidwright.register import Register

    found: dict[int, list[MachineEvent]] = {}
    with Register.open(archive) as register:
        for entry in register.events():
            found.setdefault(entry.asset, []).append(MachineEvent(entry.utc_ms, entry.kind, entry.text))
    return found
