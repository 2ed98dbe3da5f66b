"""The firmware's own app on a fake board behind a cable in this process, which loses single messages."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from pathlib import Path

from skidboard import frames
from skidboard.app import App
from skidwright.errors import PortGone, PortNotFound
from skidwright.link.framing import FrameReader

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))
from test_app import QUICK, board, run  # noqa: E402

COMMAND = 0x07
IN_STOP = 1
_PUMP = (b"start", b"duty", b"hold", b"auto", b"reset", b"cleanup start")


@dataclass
class Loss:
    """What goes wrong: messages `first` to `first + count` by the order in which they are sent.

    `way`: "out" is lost on the way to the board, "back" its answer, at "break" the port goes for `away_s`
    once the message is through, at "interrupt" the user presses Ctrl-C while he waits for the answer.
    """

    way: str = ""
    first: int = 0
    count: int = 0
    away_s: float = 0.0

    def hits(self, number: int) -> bool:
        """Whether message `number` is meant."""
        return self.first <= number < self.first + self.count


class FakeApp:
    """The app, and the modules `time` and `open_port` for a host that talks to it; time is virtual.

    To be read: `messages` from the host so far, `given` (a pump command reached the board) and `commanded`
    (number of the message that it was).
    """

    name = "port"

    def __init__(self, name: str, loss: Loss) -> None:
        settings = {**QUICK, "autostart": 0, "cleanup_output": 8, "watchdog_ms": 8000}
        self.fake = board(name, settings)
        self.app = App(self.fake)
        run(self.app, 1000)
        self._loss = loss
        self.messages = 0
        self.given = False
        self.commanded = -1
        self._number = -1  # of the message whose answer comes next
        self._away_until = 0.0
        self._interrupt = False
        self._to_board = FrameReader()
        self._to_host = FrameReader()

    # the module `time`

    def monotonic(self) -> float:
        """Virtual seconds."""
        return float(self.fake.now_us) / 1e6

    def monotonic_ns(self) -> int:
        """Virtual nanoseconds."""
        return int(self.fake.now_us) * 1000

    def time_ns(self) -> int:
        """UTC."""
        return 1_780_000_000_000_000_000 + self.monotonic_ns()

    def sleep(self, seconds: float) -> None:
        """Let the board run."""
        run(self.app, max(10, round(seconds * 1000)))

    # the port

    def open(self, name: str) -> FakeApp:
        """The port again, when it is there."""
        if self.monotonic() < self._away_until:
            raise PortNotFound("no such port", name, "plug it in")
        return self

    def close(self) -> None:
        """Nothing."""

    def write(self, data: bytes) -> None:
        """From the host: whole frames, or zeros between them."""
        self._there()
        for message in self._to_board.feed(data):
            number = self.messages
            self.messages += 1
            if message[0] == COMMAND and message[2:].startswith(_PUMP):
                self.commanded = number
            if self._loss.way == "out" and self._loss.hits(number):
                continue
            self._number = number
            self.given = self.given or number == self.commanded
            self._send(message)
            if self._loss.hits(number):
                if self._loss.way == "break":
                    run(self.app, 50)
                    self._away_until = self.monotonic() + self._loss.away_s
                self._interrupt = self._loss.way == "interrupt"

    def _send(self, message: bytes) -> None:
        raw = bytearray(message) + bytearray(4)
        frame = bytearray(frames.MAX_FRAME)
        n = frames.pack_frame(raw, len(message), frame)
        self.fake.to_app += bytes(frame[:n])

    def read(self, timeout_s: float) -> bytes:
        """To the host, all that comes in a while."""
        self._there()
        if self._interrupt:
            self._interrupt = False
            run(self.app, 50)
            raise KeyboardInterrupt
        end_s = self.monotonic() + timeout_s
        while not self.fake.from_app and self.monotonic() < end_s:
            run(self.app, 20 if self.fake.to_app else 500)
        data, self.fake.from_app = self.fake.from_app, b""
        return b"" if self._loss.way == "back" and self._loss.hits(self._number) else data

    def _there(self) -> None:
        if self.monotonic() < self._away_until:
            raise PortGone("the connection broke off", self.name, "check the cable")

    # for a test

    def command(self, text: str) -> None:
        """As if somebody had said so before."""
        assert self.app.command(text) is None
        run(self.app, 200)

    def trip(self) -> None:
        """Trip by the stop chain, which is closed again."""
        self.command("start")
        self.fake.input_bits = IN_STOP
        run(self.app, 2000)
        self.fake.input_bits = 0
        run(self.app, 2000)

    def settle(self) -> None:
        """Let whatever was told take effect."""
        run(self.app, 1500)
