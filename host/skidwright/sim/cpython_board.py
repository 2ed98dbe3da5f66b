"""The process of the virtual board where there is no MicroPython: CPython behind a socket."""

from __future__ import annotations

import contextlib
import json
import shutil
import socket
import subprocess
import sys
from pathlib import Path
from typing import Any

from skidwright.errors import SimError
from skidwright.sim import board_process


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
        for name, source in board_process.firmware_files().items():
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
                [sys.executable, "-I", str(board_process.ROM / "power_on_cpython.py")],
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
        while len(data) < board_process.REQUEST_BYTES:
            try:
                part = self.request.recv(board_process.REQUEST_BYTES - len(data))
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
