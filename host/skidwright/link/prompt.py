"""The MicroPython prompt of a board, reached through mpremote."""

from __future__ import annotations

import subprocess
import sys

from skidwright.errors import InstallError, LinkError
from skidwright.link.session import Session

_COMMAND_S = 180.0


def leave_app(port: str) -> bool:
    """Ask a running app to end; False when there is none (a prompt, or a blank board)."""
    with Session.open(port, timeout_s=1.0, tries=2) as session:
        try:
            session.leave()
        except LinkError:
            return False
    return True


def mpremote(port: str, *arguments: str, within_s: float = _COMMAND_S) -> str:
    """Run one mpremote command on the board at its prompt; what it printed. Raises InstallError."""
    command = [sys.executable, "-m", "mpremote", "connect", port, "resume", *arguments]
    try:
        done = subprocess.run(command, capture_output=True, timeout=within_s, stdin=subprocess.DEVNULL)
    except subprocess.TimeoutExpired:
        raise InstallError(
            "the board does not answer mpremote", port, "reset the board, then repeat"
        ) from None
    if done.returncode:
        said = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
        reason = said[-1][:200] if said else f"exit status {done.returncode}"
        remedy = "reset the board, or power it up with the safe-mode input set, then repeat"
        raise InstallError(f"mpremote: {reason.removeprefix('mpremote: ')}", port, remedy)
    return done.stdout.decode("utf-8", "replace")
