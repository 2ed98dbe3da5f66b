"""MicroPython's own prompt through mpremote: running code there, and reading the flash raw."""

from __future__ import annotations

import base64
import binascii
import subprocess
import sys
import tempfile
import threading
import time
import zlib
from collections.abc import Callable

from skidboard import link

from skidwright.errors import InstallError, LinkError, NotASkid, PortGone, SalvageError
from skidwright.link.session import Session

_COMMAND_S = 180.0
# Interrupt, then the ordinary prompt: shown at once by every MicroPython that is not busy.
_WAKE = b"\r\x03\r\x02"
_KNOCK_S = 1.0
_PROMPT_S = 8.0
_ECHO_S = 1.0


def leave_app(port: str) -> bool:
    """Ask a running app to end; False when there is none, but a prompt, or a skid that does not obey.

    Raises NotASkid where there is neither a skid nor a prompt, PortError.
    """
    with Session.open(port, timeout_s=1.0, tries=2) as session:
        try:
            session.leave()
        except NotASkid as nobody:
            if not session.prompt_seen:
                return _knock(session, nobody)
            return False
        except LinkError:
            return False
    return True


def _knock(session: Session, nobody: NotASkid) -> bool:
    """Wake a prompt where no app has answered; whether an app was there after all and is leaving.

    Raises `nobody` for an echo, NotASkid when no prompt comes.
    """
    deadline = time.monotonic() + (_ECHO_S if session.echo_seen else _PROMPT_S)
    try:
        while not session.prompt_seen and (now := time.monotonic()) < deadline:
            session.port.write(_WAKE)
            answer = session.receive(min(deadline, now + _KNOCK_S))
            while answer is not None:
                if answer[0] == link.LEAVE | link.REPLY:
                    return True
                answer = session.receive(min(deadline, now + _KNOCK_S))
    except PortGone:
        # An app that takes the knock for mpremote's leaves by a reset.
        return True
    if session.prompt_seen:
        return False
    if session.echo_seen:
        raise nobody
    raise NotASkid(
        "neither a skid nor a MicroPython prompt answers",
        session.where,
        "choose another port (`skidwright ports`), or reset the board, then repeat; a new board needs "
        "MicroPython first",
    )


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


BLOCK = 4096
_MOST_BLOCKS = 16384
_BACK_WITHIN_S = 30.0

# The storage area of the real board, or that of the virtual skid.
_SCRIPT = """
import binascii
try:
    import rp2
    d=rp2.Flash()
except ImportError:
    import skidrom
    d=skidrom.flash
n=d.ioctl(4,0)
b=bytearray(4096)
e=b'\\xff'*4096
print('RAW',n,d.ioctl(5,0))
for i in range(n):
    d.readblocks(i,b)
    if b!=e: print('B',i,binascii.crc32(b),binascii.b2a_base64(b).decode().strip())
print('END')
"""


def read(port: str) -> bytes:
    """All blocks of the board's storage area, back to back. A running app is asked to leave first.

    Raises PortError, NotASkid where there is neither a skid nor a prompt, InstallError when the prompt does
    not answer, SalvageError when what it says is damaged.
    """
    leave_app(port)
    deadline = time.monotonic() + _BACK_WITHIN_S
    while True:
        try:
            mpremote(port, "exec", "pass")
            break
        except InstallError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.5)
    return parse(mpremote(port, "exec", _SCRIPT), port)


def parse(said: str, where: str) -> bytes:
    """The image that the board's words stand for. Raises SalvageError."""
    lines = [line.split() for line in said.splitlines()]
    try:
        start = next(i for i, words in enumerate(lines) if words[:1] == ["RAW"])
        blocks, size = int(lines[start][1]), int(lines[start][2])
        if size != BLOCK or not 0 < blocks <= _MOST_BLOCKS or lines[-1] != ["END"]:
            raise ValueError
        image = bytearray(b"\xff" * BLOCK * blocks)
        for mark, number, crc, text in lines[start + 1 : -1]:
            block = base64.b64decode(text, validate=True)
            at = int(number) * BLOCK
            if (
                mark != "B"
                or len(block) != BLOCK
                or not 0 <= at < len(image)
                or zlib.crc32(block) != int(crc)
            ):
                raise ValueError
            image[at : at + BLOCK] = block
    except (ValueError, StopIteration, IndexError, binascii.Error):
        raise SalvageError(
            "the flash came over damaged or not at all", where, "check the cable, then repeat"
        ) from None
    return bytes(image)
