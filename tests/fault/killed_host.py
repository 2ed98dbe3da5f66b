"""A real host process, killed with SIGKILL at a random moment of a pull from a board at a pseudo-terminal.

What must hold after each kill: the archive is a prefix of the log, byte by byte (a process that is killed
takes nothing back from the system), no lock stays, and the next pull ends identical.
"""

from __future__ import annotations

import contextlib
import os
import random
import shutil
import signal
import sys
import time
from pathlib import Path

from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.link.session import Session

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "protocol"))
from board_at_pty import BoardAtPty  # noqa: E402

POSSIBLE = hasattr(os, "fork") and hasattr(os, "openpty")
RECORDS = 900


class KilledHost:
    """A board that stays and pulls that do not; use as a context manager. `folder` is all its own."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        folder.mkdir()
        (folder / "board").mkdir()
        self._board = BoardAtPty(folder / "board", RECORDS, python="cpython")
        self._whole_s = 0.0

    def __enter__(self) -> KilledHost:
        self._board.__enter__()
        began = time.monotonic()
        self._pull(self._folder / "whole", contact=False)
        self._whole_s = time.monotonic() - began
        return self

    def __exit__(self, *_: object) -> None:
        self._board.__exit__()

    def trial(self, dice: random.Random) -> str:
        """Kill one pull; whether it had `begun`, was `done`, or was killed with `part` of the log there."""
        place = self._folder / "archive"
        shutil.rmtree(place, ignore_errors=True)
        contact = dice.random() < 0.5
        host = os.fork()
        if host == 0:
            with contextlib.suppress(BaseException):
                self._pull(place, contact)
            os._exit(0)
        time.sleep(dice.random() * 1.2 * self._whole_s)
        os.kill(host, signal.SIGKILL)
        os.waitpid(host, 0)
        held, log = held_at(place), self._log()
        assert log.startswith(held), f"not a prefix of the log after a kill at {len(held)} bytes"
        whole = len(held) + 144 >= len(log)
        self._pull(place, contact=False)
        assert held_at(place) == self._log(), "not identical after a kill and a sound pull"
        return "done" if whole else "part" if held else "begun"

    def _pull(self, place: Path, contact: bool) -> None:
        with Session.open(self._board.port, timeout_s=30) as session:
            pull(session, Archive.create(place), contact=contact)

    def _log(self) -> bytes:
        files = sorted((self._folder / "board" / "log").glob("*/*.seg"))
        blocks = [file.read_bytes() for file in files]
        return b"".join(block.ljust(4096, b"\xff") for block in blocks[:-1]) + blocks[-1]


def held_at(place: Path) -> bytes:
    """The bytes of the only log in an archive folder, none when it has not come so far."""
    found = list(place.glob("*/*.skidlog"))
    assert len(found) <= 1, found
    return found[0].read_bytes() if found else b""
