"""Stretches of segments read from a board, several READs under way at a time, lost ones asked for again."""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from skidboard import link

from skidwright.errors import Refused
from skidwright.link.framing import request_frame
from skidwright.link.replies import Part, clean_text, parse_part

if TYPE_CHECKING:
    from skidwright.link.session import Session

# How often one READ may be asked for before the line is given up.
_READ_TRIES = 12


@dataclass
class _Asked:
    job: tuple[int, int, int]
    tag: int
    order: int = 0
    tries: int = 0
    answer: Part | Refused | None = None


class ReadAhead:
    """Reads through a Session, which must be asked nothing else but between two parts."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def parts(self, jobs: Iterable[tuple[int, int, int]], window: int) -> Iterator[Part | Refused]:
        """See `Session.read_ahead`."""
        todo = iter(jobs)
        asked: deque[_Asked] = deque()
        order = 0
        done = False
        deadline = 0.0
        while True:
            unsent: list[_Asked] = []
            message: bytes | None = None
            if not done and len(asked) <= window // 2:
                new = [_Asked(job, self._session.next_tag()) for job in islice(todo, window - len(asked))]
                done = not new
                asked.extend(new)
                unsent = new
            self._session.reading = bool(asked)
            if not asked:
                return
            if not unsent:
                message = self._session.receive(deadline)
                lost = self._take_part(message, asked) if message is not None else list(asked)
                unsent = [entry for entry in lost or () if entry.answer is None]
            if unsent or message is None:
                deadline = self._session.deadline()
            for entry in unsent:
                order += 1
                entry.order = order
                entry.tries += 1
                if entry.tries > _READ_TRIES:
                    raise self._session.silence()
            self._ask(unsent)
            while asked and asked[0].answer is not None:
                yield asked.popleft().answer  # type: ignore[misc]
                # Whoever takes the parts may have been long about it.
                deadline = self._session.deadline()

    def _ask(self, entries: list[_Asked]) -> None:
        """Ask for several at one go: each write wakes the other end."""
        if entries:
            self._session.port.write(
                b"".join(request_frame(struct.pack("<BBIHH", link.READ, e.tag, *e.job)) for e in entries)
            )

    def _take_part(self, message: bytes, asked: deque[_Asked]) -> list[_Asked] | None:
        """Put an answer where it belongs; the questions asked before it, which must have been lost.

        None for what answers none of them: that must not put the deadline off.
        """
        entry = next((e for e in asked if e.tag == message[1] and e.answer is None), None)
        if entry is None:
            return None
        if message[0] == link.READ | link.REPLY:
            if message[2:8] != struct.pack("<IH", *entry.job[:2]):
                return None  # left from an earlier talk, with the same tag by chance
            entry.answer = parse_part(message[2:], *entry.job, self._session.where)
        elif message[0] == link.ERROR and message[2:3] == bytes((link.READ,)):
            entry.answer = Refused(clean_text(message[3:]), self._session.where)
        else:
            return None
        # The board answers in the order it was asked.
        return [e for e in asked if e.answer is None and e.order < entry.order]
