"""Ports for tests: one whose other side is scripted message by message, and one that spoils what passes."""

from __future__ import annotations

import random
from collections.abc import Callable

from skidwright.errors import PortGone
from skidwright.link.framing import FrameReader, frame
from skidwright.link.port import Port

Answer = Callable[[bytes], bytes | list[bytes] | None]


class ScriptedPort:
    """Answers each request by `answer(message)`: a message, several, or None for silence."""

    def __init__(self, answer: Answer, noise: bytes = b"") -> None:
        self.name = "scripted"
        self.requests: list[bytes] = []
        self._answer = answer
        self._reader = FrameReader()
        self._out = noise

    def read(self, timeout_s: float) -> bytes:
        data, self._out = self._out[:4096], self._out[4096:]
        return data

    def write(self, data: bytes) -> None:
        for message in self._reader.feed(data):
            self.requests.append(message)
            answer = self._answer(message)
            for reply in [answer] if isinstance(answer, bytes) else answer or []:
                self._out += frame(reply)

    def close(self) -> None:
        pass


class SpoilingPort:
    """Passes bytes to and from a real port, and damages, drops, repeats or holds back some of them.

    `rate` is the chance of a fault for each stretch of bytes; `cut_after` bytes received the cable is pulled.
    """

    def __init__(self, port: Port, seed: int, rate: float, cut_after: int | None = None) -> None:
        self.name = port.name
        self.faults = 0
        self._port = port
        self._random = random.Random(seed)
        self._rate = rate
        self._left = cut_after
        self._held = b""

    def read(self, timeout_s: float) -> bytes:
        data = self._held + self._port.read(timeout_s)
        self._held = b""
        data = self._spoil(data)
        if self._left is not None:
            if len(data) > self._left:
                raise PortGone("the cable was cut", self.name, "")
            self._left -= len(data)
        return data

    def write(self, data: bytes) -> None:
        self._port.write(self._spoil(data))

    def close(self) -> None:
        self._port.close()

    def _spoil(self, data: bytes) -> bytes:
        dice = self._random
        if not data or dice.random() >= self._rate:
            return data
        self.faults += 1
        at = dice.randrange(len(data))
        n = min(len(data) - at, dice.choice((1, 1, 2, 20, 300)))
        kind = dice.randrange(5)
        if kind == 0:
            return data[:at] + data[at + n :]
        if kind == 1:
            return data[:at] + bytes(b ^ dice.randrange(1, 256) for b in data[at : at + n]) + data[at + n :]
        if kind == 2:
            return data[: at + n] + data[at : at + n] + data[at + n :]
        if kind == 3:
            return data[:at]
        return data[:at] + dice.randbytes(n) + data[at:]
