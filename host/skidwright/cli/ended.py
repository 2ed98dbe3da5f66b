"""Being ended from outside: SIGTERM (systemd, kill) and SIGHUP (a closed terminal) go the way of Ctrl-C.

So whatever stops a pump on Ctrl-C stops it then as well. Nothing helps against SIGKILL or a PC that dies: for
that the board has limits of time of its own.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
from types import FrameType

# Windows has no SIGHUP; SIGBREAK is its own.
_NAMES = ("SIGTERM", "SIGHUP", "SIGBREAK")


class Ended:
    """Which signal has come, 0 for none. `listen()` once, in the main thread."""

    def __init__(self) -> None:
        self.by = 0

    def listen(self) -> None:
        """Take the signals, but for one that our starter wants ignored (`nohup`)."""
        for name in _NAMES:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) == signal.SIG_DFL:
                signal.signal(number, self._come)

    def _come(self, number: int, _frame: FrameType | None) -> None:
        # A closed terminal sends more than one: those behind must not disturb the stopping of a pump.
        if not self.by:
            self.by = number
            raise KeyboardInterrupt

    def status(self, found: int) -> int:
        """The exit status: 128 and the signal when one came, else the one found."""
        return 128 + self.by if self.by else found


def flush() -> None:
    """Write out what is left, also when the terminal is gone: an end must not stumble over it."""
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except (OSError, ValueError):
            with contextlib.suppress(OSError, ValueError):
                os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())
