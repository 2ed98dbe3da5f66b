"""Puts firmware and settings on a board through mpremote, and makes sure that they are there as sent.

The files are those of the installed package `skidboard`. `main.py` goes last and
is taken away first: a board whose installation broke off stays at its prompt.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import skidboard
from skidboard import log_key
from skidboard import settings as settings_table

from skidwright.errors import ConfigError, InstallError, LinkTimeout, NotASkid, PortError
from skidwright.link import byte_code
from skidwright.link.prompt import leave_app as _leave_app
from skidwright.link.prompt import mpremote as _mpremote
from skidwright.link.session import Session

# A board that leaves its app may reset to do so, and its port is away for a moment.
_BACK_WITHIN_S = 40.0
# A firmware just started says nothing until its log is open; while bytes come it is waited for longer.
_STARTED_WITHIN_S = 60.0
_STARTED_AT_LAST_S = 180.0
_SENDING = "SENDING "
_VIRTUAL = "virtual.py"
_PLATFORMS = ("rp2", "linux")  # a real board, and the virtual skid under MicroPython for the PC
SETTINGS = "settings.json"
MAIN = "main.py"
KEY = log_key.NAME

# Runs on the board: what it is, and the SHA-256 of every file that is ours to replace.
# Enough to digest every file on a board; with nobody behind the port, long enough to wait.
_LOOK_S = 40.0
_LOOK = """
import os,sys,json,hashlib,binascii
def s(p):
    h=hashlib.sha256()
    with open(p,'rb') as f:
        while True:
            b=f.read(512)
            if not b: break
            h.update(b)
    return binascii.hexlify(h.digest()).decode()
def w(d,o):
    for e in os.ilistdir(d):
        p=d+'/'+e[0]
        if e[1]&0x4000: w(p,o)
        else: o[p]=s(p)
o={}
for n in ('main.py','settings.json','log.key'):
    try: o[n]=s(n)
    except OSError: pass
try: w('skidboard',o)
except OSError: pass
print('SKID'+json.dumps([sys.platform,o,getattr(sys.implementation,'_mpy',0)]))
"""
# mpremote still writes after handing this over: the reset, which takes the port away, has to wait for that.
_START = """
try:
    import machine
except ImportError:
    machine=None
if machine:
    import micropython, time
    micropython.kbd_intr(-1)
    time.sleep_ms(300)
    machine.reset()
import main
main.main()
"""

Progress = Callable[[int, int, str], None]


@dataclass
class InstallSummary:
    """What an installation did: paths on the board by what became of them."""

    platform: str = ""
    left_app: bool = False
    sent: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)
    device: str = ""  # known once the firmware has started
    keyed: bool = False  # a key for the chain is on the board
    sources: str = ""  # why the board got sources and no byte code; empty when it got byte code
    seconds: float = 0.0


def firmware_files(platform: str) -> dict[str, Path]:
    """The firmware for a board whose `sys.platform` is given: path on the board -> file here, main.py last.

    Raises InstallError for a platform there is no board file for.
    """
    if platform not in _PLATFORMS:
        known = ", ".join(_PLATFORMS)
        raise InstallError(
            f"no firmware for a board of platform {platform[:20]!r}", "", f"there is some for {known}"
        )
    package = Path(skidboard.__file__).resolve().parent
    files: dict[str, Path] = {}
    for path in sorted(package.rglob("*.py")):
        name = path.relative_to(package).as_posix()
        of_a_board = path.parent.name == "board" and path.name != "__init__.py"
        if name != MAIN and not (of_a_board and (path.name == _VIRTUAL) == (platform == "rp2")):
            files[f"skidboard/{name}"] = path
    main = package / MAIN
    if not main.is_file():
        raise InstallError("the firmware is incomplete", str(main), "reinstall skidwright")
    files[MAIN] = main
    return files


def install(
    port: str,
    *,
    settings: dict[str, Any] | None = None,
    key: bytes | None = None,
    start: bool = True,
    progress: Progress | None = None,
) -> InstallSummary:
    """Bring the board at `port` to this firmware, and to `settings` and the log's `key` if given; restart it.

    A key that is on the board already stays when none is given; another one is
    never replaced. A running app is asked to leave first (pump off). Every file
    is read back and compared by SHA-256. `progress` is told (done, of how many,
    path). Raises ConfigError for settings the board would refuse, NotASkid where
    there is neither a skid nor a prompt, InstallError, PortError.
    """
    started = time.monotonic()
    if settings is not None:
        wrong = settings_table.check_all(settings)
        if wrong:
            raise ConfigError(wrong[0], "settings", "correct it, then repeat")
    summary = InstallSummary(left_app=_leave_app(port))
    summary.platform, there, mpy = _look_patiently(port)
    files = firmware_files(summary.platform)
    summary.keyed = key is not None or KEY in there
    _refuse_another_key(port, key, there)
    with tempfile.TemporaryDirectory() as folder:
        files, summary.sources = byte_code.compiled(files, mpy, Path(folder))
        if key is not None:
            path = Path(folder) / KEY
            path.write_bytes(key)
            files = {KEY: path, **files}
        if settings is not None:
            path = Path(folder) / SETTINGS
            path.write_text(json.dumps(settings, sort_keys=True), encoding="utf-8")
            files = {SETTINGS: path, **files}
        wanted = {name: hashlib.sha256(path.read_bytes()).hexdigest() for name, path in files.items()}
        _bring_up_to_date(port, files, wanted, there, summary, progress)
    if start:
        _mpremote(port, "exec", "--no-follow", _START)
        summary.device = _await_start(port)
    summary.seconds = time.monotonic() - started
    return summary


def _refuse_another_key(port: str, key: bytes | None, there: dict[str, str]) -> None:
    if key is not None and there.get(KEY, "") not in ("", hashlib.sha256(key).hexdigest()):
        raise InstallError(
            "the board has another key, and its log could not be verified with the new one",
            port,
            f"leave the key as it is; or pull the log, delete /{KEY} and /log on the board, then repeat",
        )


def _bring_up_to_date(
    port: str,
    files: dict[str, Path],
    wanted: dict[str, str],
    there: dict[str, str],
    summary: InstallSummary,
    progress: Progress | None,
) -> None:
    summary.unchanged = [name for name in files if there.get(name) == wanted[name]]
    summary.sent = [name for name in files if name not in summary.unchanged]
    summary.removed = sorted(name for name in there if name.startswith("skidboard/") and name not in files)
    if not summary.sent and not summary.removed:
        return
    if MAIN not in summary.sent and not set(summary.sent) <= {SETTINGS, KEY}:
        summary.sent.append(MAIN)
        summary.unchanged.remove(MAIN)
    folders = sorted({name.rsplit("/", 1)[0] for name in summary.sent if "/" in name})
    removed = [*summary.removed, *([MAIN] if MAIN in summary.sent and MAIN in there else [])]
    lines = ["import os"]
    lines += [f"try: os.mkdir({folder!r})\nexcept OSError: pass" for folder in folders]
    lines += [f"os.remove({name!r})" for name in reversed(removed)]
    # One command line for it all: on a busy machine each start of mpremote takes seconds.
    words = ["exec", "\n".join(lines)]
    for done, name in enumerate(summary.sent):
        words += ["exec", f"print('{_SENDING}{done}')", "fs", "cp", str(files[name]), f":{name}", "+"]
    heard = _Sending(summary.sent, progress)
    there = _looked(port, _mpremote(port, *words, "exec", _LOOK, heard=heard))[1]
    heard.ended()
    differing = [name for name in files if there.get(name) != wanted[name]]
    if differing:
        raise InstallError(
            f"{differing[0]} is not on the board as it was sent",
            port,
            "repeat the installation; is the flash full?",
        )


class _Sending:
    """Tells `progress` of the files that the board says are under way."""

    def __init__(self, names: list[str], progress: Progress | None) -> None:
        self._names = names
        self._progress = progress

    def __call__(self, line: str) -> None:
        said = line.strip().removeprefix(_SENDING)
        if self._progress is not None and line.startswith(_SENDING) and said.isdecimal():
            done = min(int(said[:9]), len(self._names) - 1)
            self._progress(done, len(self._names), self._names[done])

    def ended(self) -> None:
        if self._progress is not None:
            self._progress(len(self._names), len(self._names), "")


def _await_start(port: str) -> str:
    """Wait until the firmware answers; the device.

    A busy machine, or a board with a full log, may take its time: as long as bytes come it is waited for,
    three minutes at most. A prompt, or no port at all, for too long ends it sooner.
    """
    began = time.monotonic()
    deadline = began + _STARTED_WITHIN_S
    while True:
        session = None
        try:
            with Session.open(port, timeout_s=1.0, tries=2) as session:
                return session.hello().device
        except (PortError, NotASkid, LinkTimeout) as error:
            # LinkTimeout: what answered was a request of an earlier round, read late by a board just started.
            now = time.monotonic()
            at_prompt = session is not None and session.prompt_seen
            if session is not None and session.bytes_received and not at_prompt:
                deadline = max(deadline, min(now + _BACK_WITHIN_S, began + _STARTED_AT_LAST_S))
            given_up = began + _BACK_WITHIN_S if at_prompt or session is None else deadline
            if now > given_up:
                raise InstallError(
                    f"the firmware is on the board but does not start ({error.what})",
                    port,
                    "reset the board; if that does not help, repeat the installation",
                ) from None
            time.sleep(0.2)


def _look_patiently(port: str) -> tuple[str, dict[str, str], int]:
    deadline = time.monotonic() + _BACK_WITHIN_S
    while True:
        try:
            return _look(port)
        except InstallError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.5)


def _look(port: str) -> tuple[str, dict[str, str], int]:
    """(platform, {path: SHA-256}, `sys.implementation._mpy`) of the board."""
    return _looked(port, _mpremote(port, "exec", _LOOK, within_s=_LOOK_S))


def _looked(port: str, said: str) -> tuple[str, dict[str, str], int]:
    try:
        platform, files, *more = json.loads(said.split("SKID", 1)[1].splitlines()[0])
        mpy = more[0] if more and isinstance(more[0], int) else 0
        return str(platform), {str(name): str(digest) for name, digest in files.items()}, mpy
    except (IndexError, ValueError, TypeError, AttributeError, RecursionError):
        raise InstallError(
            "the board's prompt answers nonsense", port, "reset the board, then repeat"
        ) from None
