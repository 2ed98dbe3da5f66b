"""The folder that keeps what was pulled: the boards' own bytes, one file a log, nothing derived from them.

    ARCHIVE/archive.json                       {"format": 1}
    ARCHIVE/<device, 16 hex>/<log, 8 hex>.skidlog

`log_file.py` writes such a file. No name that a board gives itself is used
unless it is exactly so many hexadecimal digits.
"""

from __future__ import annotations

import errno
import json
import os
import re
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright.archive.log_file import LogWriter, disk_error, sync_folder
from skidwright.errors import ArchiveError, ArchiveUnreadable, ArchiveVersion, printable
from skidwright.whole_file import read_at_most

FORMAT = 1
NAME = "archive.json"
SUFFIX = ".skidlog"
_DEVICE = re.compile(r"[0-9a-f]{16}")
_LOG = re.compile(r"[0-9a-f]{8}")


class Archive:
    """An archive folder. `Archive.open` checks it; `Archive.create` makes it if it is not there yet."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @classmethod
    def open(cls, path: Path | str) -> Archive:
        """The archive at `path`. Raises ArchiveError, ArchiveVersion, ArchiveUnreadable."""
        path = Path(path)
        table = _read_table(path / NAME)
        if table is None:
            raise ArchiveError(
                "there is no archive here", str(path), "pull into it first, or name another folder"
            )
        found = table.get("format")
        if found is None or isinstance(found, bool):
            raise _not_ours(path / NAME)
        if found != FORMAT:
            raise ArchiveVersion(
                f"archive of format {str(found)[:20]}, this skidwright knows format {FORMAT}",
                str(path),
                "use the version that wrote it, or pull into a new folder",
            )
        return cls(path)

    @classmethod
    def create(cls, path: Path | str, salvaged_from: str = "") -> Archive:
        """The archive at `path`, made if the folder is empty or missing. Raises as `open`, and DiskFull.

        A new one for logs that were salvaged says where from, and commands that read it say so too.
        """
        path = Path(path)
        cls.check_place(path)
        try:
            if not (path / NAME).exists():
                path.mkdir(parents=True, exist_ok=True)
                note = {"salvaged_from": salvaged_from} if salvaged_from else {}
                _write_table(path / NAME, {"format": FORMAT, **note})
                for made in (path, path.parent):
                    sync_folder(made)
        except OSError as error:
            raise disk_error(error, path) from None
        return cls.open(path)

    @classmethod
    def check_place(cls, path: Path) -> None:
        """Raise what `create` would for what is at `path` now; nothing is written."""
        try:
            if (path / NAME).exists():
                cls.open(path)
            elif path.exists() and any(entry.suffix != ".new" for entry in path.iterdir()):
                raise ArchiveError(
                    "the folder holds something else", str(path), "name an empty or a new folder"
                )
        except OSError as error:
            raise disk_error(error, path) from None

    def devices(self) -> list[str]:
        """The devices that have logs here, 16 hexadecimal digits each."""
        try:
            return sorted(d.name for d in self.path.iterdir() if _DEVICE.fullmatch(d.name) and d.is_dir())
        except OSError as error:
            raise disk_error(error, self.path) from None

    def logs(self, device: str) -> list[str]:
        """The logs of a device, 8 hexadecimal digits each, in order of their files' making."""
        files = [path for path in self._named_like_logs(device) if path.is_file()]
        try:
            return [
                path.stem for path in sorted(files, key=lambda path: (path.stat().st_ctime_ns, path.stem))
            ]
        except FileNotFoundError:
            return []
        except OSError as error:
            raise disk_error(error, self.path / device) from None

    def no_logs(self, device: str) -> list[Path]:
        """What is named like a log of the device and is none: a folder, a link to nowhere, a pipe.

        It is left unread: a folder cannot be read, and reading a pipe waits for ever.
        """
        return sorted(path for path in self._named_like_logs(device) if not path.is_file())

    def _named_like_logs(self, device: str) -> list[Path]:
        folder = self.log_path(device, "0" * 8).parent
        try:
            return [p for p in folder.iterdir() if p.suffix == SUFFIX and _LOG.fullmatch(p.stem)]
        except FileNotFoundError:
            return []
        except OSError as error:
            raise disk_error(error, folder) from None

    def log_path(self, device: str, log: str) -> Path:
        """Where a log's file is, whether there is one or not. Raises ArchiveError for a name that is none."""
        if not _DEVICE.fullmatch(device) or not _LOG.fullmatch(log):
            raise ArchiveError(
                f"{device[:40]!r} {log[:20]!r} are not a device and a log",
                str(self.path),
                "16 and 8 hexadecimal digits are needed",
            )
        return self.path / device / f"{log}{SUFFIX}"

    def read(self, device: str, log: str) -> NDArray[np.uint8]:
        """A log's bytes as a read-only array, mapped and not loaded. Raises ArchiveUnreadable."""
        path = self.log_path(device, log)
        try:
            if path.stat().st_size == 0:
                return np.empty(0, np.uint8)
            return np.memmap(path, np.uint8, mode="r")
        except (OSError, ValueError) as error:
            raise disk_error(error, path) from None

    def writer(self, device: str, log: str) -> LogWriter:
        """A writer for a log, alone on it until closed. Raises ArchiveBusy, ArchiveUnreadable, DiskFull."""
        path = self.log_path(device, log)
        try:
            if not path.parent.exists():
                path.parent.mkdir(exist_ok=True)
                sync_folder(self.path)
        except OSError as error:
            raise disk_error(error, path.parent) from None
        return LogWriter(path)


def salvaged_from(log_path: Path) -> str:
    """Where the logs of the archive that a log file lies in were salvaged from; empty for pulled ones."""
    try:
        table = _read_table(log_path.parent.parent / NAME) or {}
    except ArchiveUnreadable:
        return ""
    return printable(str(table.get("salvaged_from", ""))[:200])


def _read_table(path: Path) -> dict[str, Any] | None:
    try:
        table = json.loads(read_at_most(path, 65536))
        if not isinstance(table, dict):
            raise ValueError
        return table
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (ValueError, RecursionError):
        raise _not_ours(path) from None
    except OSError as error:
        if error.errno == errno.EFBIG:
            raise _not_ours(path) from None
        raise disk_error(error, path) from None


def _not_ours(path: Path) -> ArchiveUnreadable:
    return ArchiveUnreadable("not a file of skidwright", str(path), "restore it, or pull into a new folder")


def _write_table(path: Path, table: dict[str, Any]) -> None:
    new = path.with_name(path.name + ".new")
    with new.open("w", encoding="utf-8") as f:
        f.write(json.dumps(table) + "\n")
        f.flush()
        os.fsync(f.fileno())
    new.replace(path)
