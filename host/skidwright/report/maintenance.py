"""What the register says was done to a machine, among the other things that happened."""

from collections.abc import Iterable

import numpy as np

from skidwright.register.model import EVENT_KINDS, Event
from skidwright.report.happenings import Told
from skidwright.samples.history import History


def maintenance_of(samples: History, events: Iterable[Event]) -> list[Told]:
    """Events from the first dated sample on; those up to the newest one get a letter in the pictures."""
    dated = samples.utc_ms[~np.isnat(samples.when)]
    if not len(dated):
        return []
    first, last = int(dated[0]), int(dated[-1])
    return [
        Told(event.utc_ms, EVENT_KINDS.get(event.kind, event.kind), _detail(event), event.utc_ms <= last)
        for event in events
        if event.utc_ms >= first
    ]


def _detail(event: Event) -> str:
    amount = "" if event.volume_l is None else f"{event.volume_l:g} L"
    return ", ".join(filter(None, [event.text, amount, "by the register"]))
