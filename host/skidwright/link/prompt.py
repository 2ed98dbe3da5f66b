"""The MicroPython prompt of a board, reached through mpremote."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable

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


def mpremote(
    port: str, *arguments: str, within_s: float = _COMMAND_S, heard: Callable[[str], None] | None = None
) -> str:
    """Run one mpremote command line on the board at its prompt; what it printed.

    `within_s` is the longest silence allowed. `heard` gets each line as soon as the board prints it.
    Raises InstallError.
    """
    command = [sys.executable, "-m", "mpremote", "connect", port, "resume", *arguments]
    with tempfile.TemporaryFile() as errors:
        with subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=errors
        ) as process:
            said, in_time = _listen(process, within_s, heard)
        if not in_time:
            raise InstallError("the board does not answer mpremote", port, "reset the board, then repeat")
        if process.returncode:
            errors.seek(0)
            complaint = (errors.read().decode("utf-8", "replace").strip() or said.strip()).splitlines()
            reason = complaint[-1][:200] if complaint else f"exit status {process.returncode}"
            remedy = "reset the board, or power it up with the safe-mode input set, then repeat"
            raise InstallError(f"mpremote: {reason.removeprefix('mpremote: ')}", port, remedy)
    return said


def _listen(
    process: subprocess.Popen[bytes], silence_s: float, heard: Callable[[str], None] | None
) -> tuple[str, bool]:
    """(all a process printed until its end, whether it was never silent for longer than `silence_s`)."""
    said: list[str] = []
    too_long = threading.Event()

    def give_up() -> None:
        too_long.set()
        process.kill()

    timer = threading.Timer(silence_s, give_up)
    timer.start()
    try:
        for raw in process.stdout or ():
            timer.cancel()
            line = raw.decode("utf-8", "replace")
            said.append(line)
            if heard is not None:
                heard(line)
            timer = threading.Timer(silence_s, give_up)
            timer.start()
        process.wait()
    except BaseException:
        process.kill()
        raise
    finally:
        timer.cancel()
    return "".join(said), not too_long.is_set()
