"""Writes one log's file: segments back to back, each padded with 0xFF to 4096 bytes but the last.

The file only ever grows, but for a segment that had rotted and is put right (see
healing.py). On opening, what an interruption may have left at its end (part of a
record, padding, space never written) is cut off: those bytes are on the board
still. Every block's number is certain, because the first block after any gap has
a good header.
"""

from __future__ import annotations

import contextlib
import errno
import os
import struct
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import BinaryIO

import filelock
from skidboard import records

from skidwright.errors import ArchiveBusy, ArchiveError, ArchiveUnreadable, DiskFull

SEGMENT = records.SEGMENT_BYTES
_ERASED_SLOT = bytes([records.ERASED]) * records.RECORD_BYTES
_HEAL_BLOCKS = 64


@dataclass(frozen=True)
class Position:
    """Where a log goes on: the next byte wanted is `offset` of `segment`; `empty` when there is no log."""

    segment: int
    offset: int
    empty: bool


class LogWriter:
    """The only writer of the log file at `path` until `close`; use as a context manager.

    Raises ArchiveBusy when another process writes it, ArchiveUnreadable or DiskFull for the disk's faults.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = filelock.FileLock(str(path) + ".lock")
        try:
            self._lock.acquire(timeout=0)
        except filelock.Timeout:
            raise ArchiveBusy(
                "another pull is writing this log", str(path), "wait until it has ended"
            ) from None
        except OSError as error:
            raise disk_error(error, path) from None
        self.healed_bytes = 0
        self._file: BinaryIO | None = None
        try:
            existed = path.exists()
            self._file = path.open("r+b" if existed else "x+b", buffering=0)
            self._size = self._file.seek(0, os.SEEK_END)
            self._heal()
            if not existed:
                sync_folder(path.parent)
        except OSError as error:
            self.close()
            raise disk_error(error, path) from None

    def __enter__(self) -> LogWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the log free. What was not yet synced is left to the system."""
        if self._file is not None:
            self._file.close()
            self._file = None
        self._lock.release()

    @property
    def size(self) -> int:
        """Bytes in the file."""
        return self._size

    def block(self, index: int) -> bytes:
        """Block `index` of the file, fewer than 4096 bytes at its end; negative counts from the end."""
        if index < 0:
            index += -(-self._size // SEGMENT)
        if index < 0:
            return b""
        try:
            return self._read(index * SEGMENT, SEGMENT)
        except OSError as error:
            raise disk_error(error, self.path) from None

    def position(self) -> Position:
        """Where to go on reading from the board. Raises ArchiveUnreadable for a file of something else."""
        blocks = -(-self._size // SEGMENT)
        tail = self._size % SEGMENT
        for back in range(blocks):
            try:
                header = self._read((blocks - 1 - back) * SEGMENT, records.HEADER_BYTES)
            except OSError as error:
                raise disk_error(error, self.path) from None
            if len(header) == records.HEADER_BYTES and records.header_ok(header):
                number = struct.unpack_from("<I", header, 20)[0] + back
                return Position(number, tail, False) if tail else Position(number + 1, 0, False)
        if blocks:
            raise ArchiveUnreadable(
                "no segment in it can be recognised", str(self.path), "move the file away, then pull again"
            )
        return Position(0, 0, True)

    def append(self, data: bytes, sealed: bool) -> None:
        """Write `data` behind what is there, padded to a whole segment when that is `sealed`.

        When the disk is full the file is cut back to what it was, and DiskFull raised.
        """
        assert self._file is not None
        if sealed:
            data += bytes([records.ERASED]) * (-(self._size + len(data)) % SEGMENT)
        try:
            self._file.seek(self._size)
            view = memoryview(data)
            while view:
                view = view[self._file.write(view) :]
        except OSError as error:
            with contextlib.suppress(OSError):
                self._file.truncate(self._size)
            raise disk_error(error, self.path) from None
        self._size += len(data)

    def replace(self, index: int, data: bytes, name: str) -> Path:
        """Put `data` in place of block `index`, as long as that; where the block's old bytes are kept.

        They are on disk before anything is changed, in a file beside the log named after it and `name`.
        """
        assert self._file is not None
        old = self.block(index)
        assert len(data) == len(old)
        aside = self.path.with_suffix(f".{name}.damaged")
        for again in count(2):
            if not aside.exists():
                break
            aside = self.path.with_suffix(f".{name}-{again}.damaged")
        try:
            with aside.open("xb") as file:
                file.write(old)
                file.flush()
                os.fsync(file.fileno())
            sync_folder(aside.parent)
            self._file.seek(index * SEGMENT)
            view = memoryview(data)
            while view:
                view = view[self._file.write(view) :]
            os.fsync(self._file.fileno())
        except OSError as error:
            raise disk_error(error, self.path) from None
        return aside

    def sync(self) -> None:
        """Return once the disk has everything."""
        assert self._file is not None
        try:
            os.fsync(self._file.fileno())
        except OSError as error:
            raise disk_error(error, self.path) from None

    def _read(self, at: int, n: int) -> bytes:
        assert self._file is not None
        self._file.seek(at)
        return self._file.read(n)

    def _refuse_foreign(self) -> None:
        """Raise ArchiveUnreadable, before anything is cut off, for a file that is no log."""
        begin = self._read(0, SEGMENT)
        if any(begin) and not (begin.startswith(records.MAGIC) or records.MAGIC.startswith(begin)):
            self.position()

    def _heal(self) -> None:
        assert self._file is not None
        size = self._size
        for _ in range(_HEAL_BLOCKS):
            start = (size - 1) // SEGMENT * SEGMENT if size else 0
            block = self._read(start, size - start)
            if block and not any(block):
                # Space that the system gave the file before a power failure, and no data in it.
                size = start
                continue
            break
        if size % SEGMENT:
            size = start + whole_records(block)
        if size != self._size:
            self._refuse_foreign()
            self._file.truncate(size)
            self.healed_bytes = self._size - size
            self._size = size


def whole_records(tail: bytes) -> int:
    """The length of an unfinished segment's header and whole records: no part of a record, no padding."""
    slots = (len(tail) - records.HEADER_BYTES) // records.RECORD_BYTES
    if slots < 0:
        return 0
    while slots:
        end = records.HEADER_BYTES + slots * records.RECORD_BYTES
        slot = tail[end - records.RECORD_BYTES : end]
        if slot != _ERASED_SLOT and any(slot):
            break
        slots -= 1
    return records.HEADER_BYTES + slots * records.RECORD_BYTES


def sync_folder(folder: Path) -> None:
    """Make a new file's name durable, where folders can be synced."""
    with contextlib.suppress(OSError):
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def disk_error(error: Exception, path: Path) -> ArchiveError:
    """An OSError about `path` as one of ours."""
    code = getattr(error, "errno", None)
    if code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        return DiskFull(
            "the disk is full", str(path), "make room, then repeat: what was pulled before is intact"
        )
    text = getattr(error, "strerror", None) or str(error)
    return ArchiveUnreadable(f"cannot be used ({text})", str(path), "check that place and its permissions")
