"""Starts `run_pty_board.py` behind a pseudo-terminal and gives its name, for tests of the host's side."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import sysconfig
import tempfile
import tty
from pathlib import Path

HERE = Path(__file__).resolve().parent
FIRMWARE = HERE.parents[1] / "firmware"


def micropython() -> str | None:
    """MicroPython for this machine, None where there is none."""
    beside = Path(sysconfig.get_path("scripts")) / "micropython"
    return str(beside) if beside.is_file() else shutil.which("micropython")


class BoardAtPty:
    """A board of `records` records at `port`; use as a context manager. `restart()` is a reset."""

    def __init__(
        self, folder: Path, records: int = 0, *, python: str = "micropython", segments_max: int = 200,
        blocks: int = 352, log: int = 0x5EED0001, bytes_per_s: int = 0,
    ) -> None:  # fmt: skip
        self.folder = Path(folder)
        self.python = python
        self.config = {
            "firmware": str(FIRMWARE),
            "image": str(self.folder / "flash.img"),
            "log_dir": str(self.folder / "log"),
            "blocks": blocks,
            "records": records,
            "segments_max": segments_max,
            "log": log,
            "bytes_per_s": bytes_per_s,
        }
        self.process: subprocess.Popen[bytes] | None = None
        image = self.folder / "flash.img"
        if not image.exists():
            image.write_bytes(b"\xff" * 4096 * blocks)

    def __enter__(self) -> BoardAtPty:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        tty.setraw(self.master)
        self.port = os.ttyname(self.slave)
        self.start()
        return self

    def start(self) -> None:
        """Power on and wait until the first records are written; the host opens `port`."""
        os.set_blocking(self.master, False)
        self.config["fd"] = self.master
        config = self.folder / "board.json"
        config.write_text(json.dumps(self.config))
        command = (
            [sys.executable]
            if self.python == "cpython"
            else [micropython() or "micropython", "-X", "heapsize=300k"]
        )
        self.errors = tempfile.TemporaryFile()  # noqa: SIM115
        self.process = subprocess.Popen(
            [*command, str(HERE.parent / "micropython" / "run_pty_board.py"), str(config)],
            pass_fds=[self.master],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=self.errors,
        )
        assert self.process.stdout is not None
        self.process.stdout.readline()

    def stop(self) -> None:
        """Power off."""
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            if self.process.stdout:
                self.process.stdout.close()
            self.errors.seek(0)
            self.said = self.errors.read().decode()
            self.errors.close()
            self.process = None

    def unplug(self) -> None:
        """Pull the cable: the port goes away under whoever has it open."""
        self.stop()
        os.close(self.master)
        os.close(self.slave)
        self.master = self.slave = -1

    def restart(self, records: int = 0) -> None:
        """Power off and on again, with `records` more."""
        self.stop()
        self.config["records"] = records
        self.start()

    def __exit__(self, *_: object) -> None:
        self.stop()
        for fd in (self.master, self.slave):
            if fd >= 0:
                os.close(fd)
