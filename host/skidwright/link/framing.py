"""Frames on the wire, and reading many of them ahead of their use."""

from __future__ import annotations

import struct
import zlib
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING

from cobs import cobs
from skidboard import link
from skidboard.frames import MAX_FRAME
from skidboard.records import CRC_CARRY

from skidwright.errors import Refused
from skidwright.link.replies import ReplyPart, clean_text, parse_part


def request_frame(message: bytes) -> bytes:
    """A message to a board, behind a zero byte: whatever noise came before it is a frame of its own."""
    return b"\0" + frame(message)


def frame(message: bytes) -> bytes:
    """The bytes that carry `message`: COBS(message + CRC-32) and a zero."""
    stuffed: bytes = cobs.encode(message + struct.pack("<I", zlib.crc32(message)))
    return stuffed + b"\0"


class FrameReader:
    """Takes bytes as they come and gives the messages in them; what is no frame is counted and dropped."""

    def __init__(self) -> None:
        self._rest = b""
        self._overlong = False
        self.bad_frames = 0

    def feed(self, data: bytes) -> list[bytes]:
        """The messages completed by `data`, without their CRC. Holds at most one frame's length of bytes."""
        *whole, rest = (self._rest + data).split(b"\0")
        messages = []
        for raw in whole:
            message = None if self._overlong else _unframe(raw)
            self._overlong = False
            if message is not None:
                messages.append(message)
            elif raw:
                self.bad_frames += 1
        if len(rest) > MAX_FRAME:
            self._overlong = True
            rest = rest[-1:]
        self._rest = rest
        return messages

    def reset(self) -> None:
        """Forget an unfinished frame."""
        self._rest = b""
        self._overlong = False


def _unframe(raw: bytes) -> bytes | None:
    # A message of one byte with its CRC is six bytes stuffed.
    if not 6 <= len(raw) <= MAX_FRAME:
        return None
    try:
        message: bytes = cobs.decode(raw)
    except cobs.DecodeError:
        return None
    return message[:-4] if zlib.crc32(message) == CRC_CARRY else None


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
    answer: ReplyPart | Refused | None = None


class ReadAhead:
    """Reads through a Session, which must be asked nothing else but between two parts."""

    def __init__(self, session: Session) -> None:
        self._session = session

    def parts(self, jobs: Iterable[tuple[int, int, int]], window: int) -> Iterator[ReplyPart | Refused]:
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
