"""What was done to a machine, and when: the register's entries and what operators marked in the log.

An event is a plain tuple (UTC in ms, kind, text), so that anything that keeps a book can give them. Kinds
are those of the register; marks of the log get theirs by the words they hold, or "other".
"""

import re
from collections.abc import Iterable, Sequence
from typing import NamedTuple

import numpy as np
from skidboard import records

from skidwright.log.timeline import UNKNOWN_UTC_MS
from skidwright.samples.assessment import Assessment

FILTER, TOP_UP, FLUID, REPAIR, FLUSH, START, OTHER = (
    "filter", "top-up", "fluid", "repair", "flush", "start", "other",
)  # fmt: skip
# The first that fits, in this order: "new oil filter" is a filter, not a fluid.
_WORDS = (
    (FILTER, r"filter|element\b|cartridge"),
    (TOP_UP, r"top(?:ped|ping)?[ -]?up|topp(?:ed|ing)\b|refill|\bfilled\b"),
    (TOP_UP, r"added .*\b(?:oil|fluid|l|litres?|liters?)\b"),
    (FLUID, r"(?:oil|fluid) (?:was )?(?:change|exchange|renew)|(?:new|fresh) (?:oil|fluid)"),
    (FLUID, r"chang\w+ (?:the )?(?:oil|fluid)"),
    (FLUSH, r"flush|clean-?up|kidney"),
    (REPAIR, r"repair|replac|overhaul|seal|hose|pump"),
    (START, r"\bstart(?:ed|s|ing|-up)?\b"),
)  # fmt: skip


class MachineEvent(NamedTuple):
    """Something done at `utc_ms` (since 1970)."""

    utc_ms: int
    kind: str
    text: str

    @property
    def days(self) -> float:
        """Days since 1970."""
        return self.utc_ms / 86_400_000


def kind_of(text: str) -> str:
    """The kind of event that an operator's words tell of."""
    for kind, words in _WORDS:
        if re.search(words, text.lower()):
            return kind
    return OTHER


def marks(logs: Iterable[Assessment]) -> list[MachineEvent]:
    """All dated operator marks of logs, oldest first. They belong to the skid: no asset is written beside
    them."""
    found = []
    for log in logs:
        rows = np.flatnonzero(log.events["kind"] == records.MARK)
        if not len(rows):
            continue
        times = log.event_times()[0]
        for row in rows.tolist():
            text = bytes(log.events["text"][row]).decode("utf-8", "replace")
            if int(times[row]) != UNKNOWN_UTC_MS:
                found.append(MachineEvent(int(times[row]), kind_of(text), text))
    return sorted(found)


def joined(*sources: Sequence[tuple[int, str, str]]) -> list[MachineEvent]:
    """Events of several books as one, oldest first; the same kind within an hour counts once."""
    found: list[MachineEvent] = []
    for event in sorted(MachineEvent(*one) for source in sources for one in source):
        twice = any(e.kind == event.kind and event.utc_ms - e.utc_ms < 3_600_000 for e in found[-5:])
        if not twice:
            found.append(event)
    return found
