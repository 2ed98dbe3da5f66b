"""The firmware's app on a fake board, behind the part of a session that the bench uses; time is virtual."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from skidboard.app import App
from skidwright.errors import LinkTimeout, Refused
from skidwright.link.replies import parse_trace

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))
from test_app import board, run  # noqa: E402


class BoardInProcess:
    """`sleep` lets time pass; `at` are (virtual seconds, what to do then), soonest first."""

    where = "board in process"

    def __init__(self, name: str, settings: dict[str, Any] | None = None) -> None:
        self.fake = board(name, {"autostart": 0, **(settings or {})})
        self.app = App(self.fake)
        self.at: list[tuple[float, Callable[[], None]]] = []
        self.slept_s = 0.0
        self.dead = False
        self.limits_s: list[int] = []  # with which the pump was driven
        run(self.app, 1000)

    def sleep(self, seconds: float) -> None:
        """In place of time.sleep."""
        self.slept_s += seconds
        while self.at and self.at[0][0] <= self.slept_s:
            self.at.pop(0)[1]()
        run(self.app, round(seconds * 1000))

    def status(self) -> dict[str, Any]:
        """As the board tells it."""
        self._alive()
        return dict(self.app.status())

    def command(self, text: str) -> None:
        """Raises Refused as a session does."""
        self._alive()
        words = text.split()
        if words[0] in ("duty", "hold"):
            self.limits_s.append(int(words[2]))
        problem = self.app.command(text)
        if problem:
            raise Refused(problem, self.where)

    insist = command  # no answer is ever lost here

    def settings(self) -> dict[str, Any]:
        """All in force."""
        return dict(self.app.settings)

    def put_settings(self, values: dict[str, Any]) -> int:
        """Raises Refused as a session does."""
        changed, problem = self.app.put_settings(values)
        if problem:
            raise Refused(problem, self.where)
        return int(changed)

    def trace(self, wanted: int) -> tuple[int, int, list[tuple[int, int, int, int, int]]]:
        """By way of the bytes that go over the cable."""
        self._alive()
        message = self.app.link._message
        body = wanted.to_bytes(4, "little")
        n = self.app.link._trace(body)
        return parse_trace(bytes(message[2 : 2 + n]), self.where)

    def _alive(self) -> None:
        if self.dead:
            raise LinkTimeout("the board has stopped answering", self.where)
