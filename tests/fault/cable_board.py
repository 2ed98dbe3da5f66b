"""The firmware's own Journal and Link in this process, at the far end of a cable that spoils what passes.

Time is virtual: it moves in `BadCable.read` only, so that an hour of waiting costs nothing and every
trial can be repeated from its seed.
"""

from __future__ import annotations

import random
from collections import Counter, deque
from pathlib import Path

from skidboard import records, settings
from skidboard.journal import Journal
from skidboard.link import NOTHING, STALLED, Link
from skidboard.timebase import Timebase
from skidwright.errors import PortGone

DEVICE = bytes.fromhex("1032547698badcfe")
LOG = 0x5EED0001
# What a turn of the board's loop takes.
_TURN_S = 0.0002
# Far more reads than the longest pull makes: a host that comes here would never have come to an end.
_MOST_READS = 200_000


class Clock:
    """Virtual seconds, in place of the module `time` in session.py and pull.py."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def monotonic(self) -> float:
        """As time.monotonic."""
        return self.now_s

    def monotonic_ns(self) -> int:
        """As time.monotonic_ns."""
        return round(self.now_s * 1e9)

    def utc_ms(self) -> int:
        """As session.system_utc_ms."""
        return 1_780_000_000_000 + round(self.now_s * 1000)


class CableBoard:
    """What Link asks of a board and of an app; the log lies in `folder`. `restart()` is a power cut."""

    device_id = DEVICE

    def __init__(self, folder: Path, clock: Clock, segments_max: int = 200, key: bytes | None = None) -> None:
        self._folder = folder
        self._clock = clock
        self._segments_max = segments_max
        self._key = key
        self.settings = settings.defaults()
        self.restart()

    def restart(self) -> None:
        """Lose all that is in memory, and start."""
        self._started_s = self._clock.now_s
        self.incoming: deque[int] = deque()
        self.outgoing: list[bytes] = []
        self.room = 0
        self.left = False
        self.timebase = Timebase(self.ticks_ms())
        self.journal = Journal(str(self._folder), DEVICE, lambda: LOG, self._segments_max, self._key)
        self.timebase.boot = self.journal.open()
        self._slot = bytearray(records.RECORD_BYTES)
        self.event(records.BOOT, text="cable board")
        self.link = Link(self, self)

    def event(self, kind: int, **fields: object) -> int:
        """Append an event record; its number."""
        records.pack_event(self._slot, kind, self.timebase.boot, self.timebase.uptime_ms(), **fields)
        return int(self.journal.append(self._slot))

    def log_bytes(self) -> bytes:
        """The whole log as an archive of it would hold it, straight from the files."""
        files = sorted(self._folder.glob("*/*.seg"))
        blocks = [f.read_bytes() for f in files]
        return b"".join(b + b"\xff" * (4096 - len(b)) for b in blocks[:-1]) + b"".join(blocks[-1:])

    def turn(self) -> bool:
        """One turn of the board's loop; whether it has more to do at once."""
        if self.left:
            self.link.poll()
            return False
        state = self.link.poll()
        self.timebase.advance(self.ticks_ms())
        return state not in (NOTHING, STALLED)

    # what Link asks of a board

    def ticks_ms(self) -> int:
        """Milliseconds, modulo 2**30."""
        return int((self._clock.now_s - self._started_s) * 1000) & 0x3FFFFFFF

    def serial_read(self, buf: bytearray) -> int:
        """What has come."""
        n = min(len(buf), len(self.incoming))
        for i in range(n):
            buf[i] = self.incoming.popleft()
        return n

    def serial_write(self, buf: memoryview, n: int) -> int:
        """Into `outgoing`, as far as there is room."""
        n = min(n, self.room)
        if n:
            self.outgoing.append(bytes(buf[:n]))
            self.room -= n
        return n

    # what Link asks of an app

    def status(self) -> dict[str, object]:
        """Hardly anything."""
        return {"state": "standby", "faults": []}

    def command(self, text: str) -> str | None:
        """Marks only."""
        if text.startswith("mark ") and self.event(records.MARK, text=text[5:]) >= 0:
            return None
        return f"{text}: not a command"

    def contact(self, utc_ms: int, uncertainty_ms: int, stored_seq: int, text: str) -> tuple[int, int]:
        """As the app does."""
        self.journal.set_stored(stored_seq)
        seq = self.event(records.CONTACT, a=uncertainty_ms, b=stored_seq, utc_ms=utc_ms, text=text)
        return seq, self.timebase.uptime_ms()

    def put_settings(self, values: dict[str, object]) -> tuple[int, str | None]:
        """Checked, not stored."""
        problems = settings.check_all({**self.settings, **values})
        if problems:
            return 0, problems[0]
        self.settings.update(values)
        return len(values), None

    def leave(self, code: int, text: str = "") -> None:
        """The app is over: the prompt answers nothing here."""
        self.left = True


class BadCable:
    """A port of the host whose cable drops, corrupts, doubles, delays, cuts short, invents and breaks.

    `rate` is the chance of a fault for each stretch of bytes in either direction. `faults` counts them by
    kind. With `rate` 0 nothing happens.
    """

    KINDS = ("drop", "corrupt", "double", "delay", "truncate", "invent", "replay", "cut", "mute", "reset")
    _WEIGHTS = (20, 20, 12, 12, 12, 8, 8, 2, 1, 3)
    name = "bad cable"

    def __init__(self, board: CableBoard, clock: Clock, dice: random.Random, rate: float) -> None:
        self.faults: Counter[str] = Counter()
        self._board = board
        self._clock = clock
        self._dice = dice
        self._rate = rate
        self._to_board: deque[tuple[float, bytes]] = deque()
        self._to_host: deque[tuple[float, bytes]] = deque()
        self._seen: deque[bytes] = deque(maxlen=8)
        self._gone = False
        self._mute = False
        self._reads = 0

    def write(self, data: bytes) -> None:
        """From the host, in stretches as a driver cuts them."""
        self._alive()
        at = 0
        while at < len(data):
            n = self._dice.choice((16, 64, 64, 256))
            self._send(self._to_board, data[at : at + n])
            at += n

    def read(self, timeout_s: float) -> bytes:
        """To the host; time passes here."""
        self._reads += 1
        assert self._reads < _MOST_READS, "the host reads without end"
        end_s = self._clock.now_s + max(timeout_s, 0)
        while True:
            self._clock.now_s += _TURN_S
            busy = self._turn()
            self._alive()
            arrived = self._arrived(self._to_host)
            if arrived:
                return arrived
            if self._clock.now_s >= end_s:
                return b""
            if not busy:
                # A board that waits looks again after 5 ms at most; so does the cable's delay.
                due_s = [line[0][0] for line in (self._to_board, self._to_host) if line]
                step_s = 0.005 if self._board.link._receiver.held() else 0.25
                self._clock.now_s = min([end_s, self._clock.now_s + step_s, *due_s])

    def close(self) -> None:
        """Nothing to close."""

    def _alive(self) -> None:
        if self._gone:
            raise PortGone("the connection broke off", self.name, "check the cable")

    def _turn(self) -> bool:
        board = self._board
        board.incoming.extend(self._arrived(self._to_board))
        board.room = self._dice.choice((64, 512, 5000))
        busy = board.turn()
        for stretch in board.outgoing:
            self._send(self._to_host, stretch)
        board.outgoing.clear()
        return busy

    def _arrived(self, line: deque[tuple[float, bytes]]) -> bytes:
        parts = []
        while line and line[0][0] <= self._clock.now_s:
            parts.append(line.popleft()[1])
        return b"".join(parts)

    def _send(self, line: deque[tuple[float, bytes]], data: bytes) -> None:
        due_s = max(self._clock.now_s, line[-1][0] if line else 0.0)
        if data and self._dice.random() < self._rate:
            kind = self._dice.choices(self.KINDS, self._WEIGHTS)[0]
            self.faults[kind] += 1
            if kind == "delay":
                due_s += self._dice.choice((0.001, 0.05, 0.5, 1.5, 3.0, 9.0))
            else:
                data = self._spoil(kind, data)
        if data and not self._mute:
            self._seen.append(data)
            line.append((due_s, data))

    def _spoil(self, kind: str, data: bytes) -> bytes:
        dice = self._dice
        at = dice.randrange(len(data))
        n = min(len(data) - at, dice.choice((1, 1, 2, 20, 300)))
        if kind == "drop":
            return data[:at] + data[at + n :]
        if kind == "corrupt":
            return data[:at] + bytes(b ^ dice.randrange(1, 256) for b in data[at : at + n]) + data[at + n :]
        if kind == "double":
            return data[: at + n] + data[at : at + n] + data[at + n :]
        if kind == "truncate":
            return data[:at]
        if kind == "invent":
            return data[:at] + dice.randbytes(n) + data[at:]
        if kind == "replay":
            return data + b"".join(self._seen)
        if kind == "cut":
            self._gone = True
        elif kind == "mute":
            self._mute = True
        elif kind == "reset":
            self._board.restart()
        return data
