"""A conversation with a board: replies matched by tag, lost requests repeated."""

from __future__ import annotations

import json
import secrets
import struct
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from skidboard import link
from skidboard.frames import MAX_MESSAGE
from skidboard.records import NONCE_BYTES

from skidwright import __version__
from skidwright.errors import BadReply, LinkTimeout, NotASkid, Refused
from skidwright.link.framing import FrameReader, ReadAhead, request_frame
from skidwright.link.port import Port, open_port
from skidwright.link.replies import (
    Hello,
    ReplyPart,
    clean_text,
    parse_contact,
    parse_hello,
    parse_part,
    parse_seal,
    parse_table,
    parse_trace,
    told_settings,
    told_status,
)

# The board answers between control steps and flash writes, of 0.1 s at most each.
TIMEOUT_S = 2.0
TRIES = 4
WINDOW = 8
_PINGS = 3
# Tags never look like mpremote's opening to the board (see docs/link.md).
_TAGS = [tag for tag in range(1, 256) if tag != 0x0D]

UtcMs = Callable[[], int]


def system_utc_ms() -> int:
    """The host's own clock, in milliseconds since 1970-01-01T00:00:00Z."""
    return time.time_ns() // 1_000_000


class Session:
    """Talks to the board at `port`. Use as a context manager; `open` opens the port too.

    Methods raise LinkError and PortError. `timeout_s` is how long an answer may
    take before the request is repeated, `tries` how often. `bytes_received`, `prompt_seen` (a MicroPython
    prompt was among them) and `echo_seen` (what was sent came back) tell of what came.
    """

    def __init__(self, port: Port, timeout_s: float = TIMEOUT_S, tries: int = TRIES) -> None:
        self.port = port
        self.timeout_s = timeout_s
        self.tries = tries
        self.bytes_received = 0
        self._frames = FrameReader()
        self._waiting: deque[bytes] = deque()
        self._tag = time.monotonic_ns() % len(_TAGS)
        self.reading = False  # answers to READs are awaited, whatever else is asked meanwhile
        self._answered = False
        self.prompt_seen = False
        self.echo_seen = False

    @classmethod
    def open(cls, name: str, timeout_s: float = TIMEOUT_S, tries: int = TRIES) -> Session:
        """A session at the port of that name. Raises PortError."""
        return cls(open_port(name), timeout_s, tries)

    def __enter__(self) -> Session:
        return self

    def __exit__(self, *_: object) -> None:
        self.port.close()

    @property
    def where(self) -> str:
        """The name of the port, for messages."""
        return self.port.name

    @property
    def bad_frames(self) -> int:
        """Frames that arrived damaged, or bytes that were none."""
        return self._frames.bad_frames

    # -- single requests --------------------------------------------------------------------------

    def request(self, kind: int, body: bytes = b"", repeat: bool = True) -> bytes:
        """Ask and return the body of the answer. `repeat` False is for what must not be done twice.

        Raises Refused with the board's own words, NotASkid or LinkTimeout when no answer comes.
        """
        tag = self.next_tag()
        message = bytes((kind, tag)) + body
        others: deque[bytes] = deque(maxlen=2 * WINDOW)
        for _ in range(self.tries if repeat else 1):
            self.port.write(request_frame(message))
            deadline = self.deadline()
            while (answer := self.receive(deadline)) is not None:
                refused = answer[0] == link.ERROR and answer[2:3] == bytes((kind,))
                if answer[1] != tag or not (refused or answer[0] == kind | link.REPLY):
                    others.append(answer)
                    continue
                if self.reading:
                    # Answers to READs under way are still wanted; any others are left from an earlier talk.
                    self._waiting.extendleft(reversed(others))
                if refused:
                    raise Refused(clean_text(answer[3:]), self.where)
                return answer[2:]
        raise self.silence()

    def hello(self) -> Hello:
        """Who is there. Raises ProtocolMismatch for a board of another version."""
        body = struct.pack("<H", link.PROTOCOL) + f"skidwright {__version__}".encode()
        return parse_hello(self.request(link.HELLO, body), self.where)

    def status(self) -> dict[str, Any]:
        """The state of the skid as the board tells it, its fields of the types in `link.schema`."""
        return told_status(parse_table(self.request(link.STATUS), self.where), self.where)

    def settings(self) -> dict[str, Any]:
        """All settings in force, those known here allowed ones."""
        return told_settings(parse_table(self.request(link.SETTINGS), self.where), self.where)

    def put_settings(self, values: dict[str, Any]) -> int:
        """Put settings in force and store them; how many were changed. Raises Refused by name."""
        body = json.dumps(values, separators=(",", ":")).encode()
        if len(body) > link.MAX_REQUEST - 2:
            raise Refused("more settings than the board takes at once", self.where)
        changed = parse_table(self.request(link.SETTINGS_PUT, body), self.where).get("changed")
        if not isinstance(changed, int):
            raise BadReply("the board did not say what it changed", self.where, "read the settings again")
        return changed

    def command(self, text: str) -> None:
        """Give a command (start, stop, reset, mark TEXT, duty, hold, auto), once: after a LinkTimeout
        it may have been done.
        """
        self.request(link.COMMAND, text.encode()[: MAX_MESSAGE // 4], repeat=False)

    def insist(self, text: str) -> None:
        """Give a command that stops something: again when no answer comes, and behind whatever broke off.

        The refusal of a repeated one is no error: the first has done it.
        """
        for left in reversed(range(self.tries)):
            try:
                self.command(text)
                return
            except (LinkTimeout, NotASkid):
                if not left:
                    raise
            except Refused:
                if left == self.tries - 1:
                    raise
                return

    def trace(self, wanted: int) -> tuple[int, int, list[tuple[int, int, int, int, int]]]:
        """The control loop's ticks from number `wanted` on: (first, the one to come, rows); see TRACE."""
        return parse_trace(self.request(link.TRACE, struct.pack("<I", wanted)), self.where)

    def leave(self) -> None:
        """Ask the board to end its app, pump off, and go to its prompt."""
        self.request(link.LEAVE)

    # -- time -------------------------------------------------------------------------------------

    def contact(self, stored_seq: int, clock: UtcMs = system_utc_ms, text: str = "") -> int:
        """Tell the board the time, and that the host holds all records below `stored_seq`.

        Returns the number of the record it makes. The uptime in a HELLO belongs
        to a moment between the request and its answer: half the fastest of some
        round trips is the uncertainty told.
        """
        best: tuple[int, int, int] | None = None
        for _ in range(_PINGS):
            sent_ms = clock()
            uptime_ms = self.hello().uptime_ms
            trip_ms = clock() - sent_ms
            if trip_ms >= 0 and (best is None or trip_ms < best[1]):
                best = (sent_ms, trip_ms, uptime_ms)
        if best is None:
            return self.acknowledge(stored_seq)
        sent_ms, trip_ms, uptime_ms = best
        half_ms = (trip_ms + 1) // 2
        # One millisecond more for each clock, since both are cut to whole ones.
        head = struct.pack("<QIIQ", sent_ms + half_ms, half_ms + 2, stored_seq, uptime_ms)
        return parse_contact(self.request(link.CONTACT, head + text.encode()[:80]), self.where)[0]

    def acknowledge(self, stored_seq: int) -> int:
        """Only tell the board that the host holds all records below `stored_seq`; its next number."""
        return parse_contact(
            self.request(link.CONTACT, struct.pack("<QIIQ", 0, 0, stored_seq, 0)), self.where
        )[0]

    # -- reading segments -------------------------------------------------------------------------

    def read(self, segment: int, offset: int, length: int) -> ReplyPart:
        """One stretch of a segment."""
        body = self.request(link.READ, struct.pack("<IHH", segment, offset, length))
        return parse_part(body, segment, offset, length, self.where)

    def seal(self, hello: Hello, segment: int, covered: int) -> bytes:
        """The board's seal over the first `covered` bytes of a segment, with a new nonce: 96 bytes.

        Raises Refused by a board without a key or of older firmware.
        """
        nonce = secrets.token_bytes(NONCE_BYTES)
        asked = struct.pack("<IH", segment, covered) + nonce
        return parse_seal(self.request(link.SEAL, asked), hello, segment, covered, nonce, self.where)

    def read_ahead(
        self, jobs: Iterable[tuple[int, int, int]], window: int = WINDOW
    ) -> Iterator[ReplyPart | Refused]:
        """The parts asked for by (segment, offset, length), in order, with up to `window` READs under way.

        A Refused stands in place of a part that the board cannot read.
        """
        return ReadAhead(self).parts(jobs, window)

    # -- frames -----------------------------------------------------------------------------------

    def next_tag(self) -> int:
        """A tag that was not used lately."""
        self._tag = (self._tag + 1) % len(_TAGS)
        return _TAGS[self._tag]

    def deadline(self) -> float:
        """When an answer to what is asked now must have come."""
        return time.monotonic() + self.timeout_s

    def receive(self, deadline: float) -> bytes | None:
        """The next message of at least two bytes, or None at the deadline."""
        while not self._waiting:
            left_s = deadline - time.monotonic()
            if left_s <= 0:
                return None
            data = self.port.read(left_s)
            self.bytes_received += len(data)
            self.prompt_seen = self.prompt_seen or b">>>" in data or b"raw REPL" in data
            for message in self._frames.feed(data):
                if len(message) >= 2 and message[0] >= link.REPLY:
                    self._waiting.append(message)
                elif len(message) >= 2:
                    # A board never asks: what we sent has come back.
                    self.echo_seen = True
        self._answered = True
        return self._waiting.popleft()

    def silence(self) -> LinkTimeout | NotASkid:
        """What to raise when no answer came, by what was heard so far."""
        if self._answered:
            remedy = "check the cable, then repeat: what was pulled is kept"
            return LinkTimeout("the board has stopped answering", self.where, remedy)
        if self.prompt_seen:
            remedy = f"put the firmware on it: `skidwright install {self.where}`, or reset it"
            return NotASkid("a MicroPython prompt answers, not the skid's firmware", self.where, remedy)
        if self.echo_seen:
            remedy = "choose another port (`skidwright ports`), or check the wiring: TX goes to RX"
            return NotASkid("no skid answers, only what is sent comes back", self.where, remedy)
        return NotASkid(
            "no skid answers", self.where, "choose another port (`skidwright ports`), or reset the board"
        )
