"""Opens the register's database: one writer at a time, and SQLite's errors as ours."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import filelock

from skidwright.errors import DiskFull, RegisterBusy, RegisterError, RegisterUnreadable, RegisterVersion
from skidwright.register import schema
from skidwright.register.model import FILE_NAME

WAIT_S = 2.0


@contextlib.contextmanager
def translated(path: Path) -> Iterator[None]:
    """What SQLite raises about the database at `path`, as one of ours."""
    try:
        yield
    except (sqlite3.Error, sqlite3.Warning, OverflowError, UnicodeError) as error:
        raise _ours(error, path) from None


def _ours(error: Exception, path: Path) -> Exception:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return DiskFull("the disk is full", str(path), "make room, then repeat: the register is as it was")
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return RegisterBusy(
            "another program is writing the register", str(path), "wait until it has ended, then repeat"
        )
    if code in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
        return RegisterUnreadable(
            f"no register, or a damaged one ({error})", str(path),
            "bring it back with `skidwright restore`, or move the file away",
        )  # fmt: skip
    if code in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_IOERR, sqlite3.SQLITE_PERM):
        return RegisterUnreadable(
            f"cannot be used ({error})", str(path), "check that place and its permissions"
        )
    return RegisterError(f"refused by the database ({error})", str(path), "check the values that were given")


def lock(path: Path) -> filelock.BaseFileLock:
    """The lock of the writer of the register at `path`, taken. Raises RegisterBusy, RegisterUnreadable."""
    taken = filelock.FileLock(f"{path}.lock")
    try:
        taken.acquire(timeout=WAIT_S)
    except filelock.Timeout:
        raise RegisterBusy(
            "another skidwright is writing the register", str(path), "wait until it has ended, then repeat"
        ) from None
    except OSError as error:
        raise RegisterUnreadable(
            f"cannot be written ({error.strerror or error})",
            str(path),
            "check that folder and its permissions",
        ) from None
    return taken


def connect(path: Path | None, write: bool) -> sqlite3.Connection:
    """The database at `path`, its schema checked and, to `write`, brought up; None: an empty one in memory.

    Raises RegisterUnreadable, RegisterVersion, RegisterBusy.
    """
    shown = path or Path(FILE_NAME)
    with translated(shown), contextlib.ExitStack() as on_error:
        if path is None:
            database = sqlite3.connect(":memory:", isolation_level=None)
        else:
            # "rw" even to read: what a writer that died left half done is rolled back by whoever comes next.
            mode = "rwc" if write else "rw"
            uri = f"{path.resolve().as_uri()}?mode={mode}"
            database = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=WAIT_S)
        on_error.callback(database.close)
        database.row_factory = sqlite3.Row
        database.execute("PRAGMA foreign_keys = ON")
        database.execute("PRAGMA trusted_schema = OFF")
        _check_version(schema.version_of(database), shown)
        if write or path is None:
            schema.bring_up(database)
        elif schema.version_of(database) < schema.VERSION:
            # Empty, or older: read through a copy that is brought up, the file itself stays as it is.
            database = _raised_copy(database)
        if not write:
            database.execute("PRAGMA query_only = ON")
        on_error.pop_all()
        return database


def _check_version(found: int, path: Path) -> None:
    if found < 0:
        raise RegisterUnreadable(
            "a database of something else", str(path), "move that file away, or name another archive"
        )
    if found > schema.VERSION:
        raise RegisterVersion(
            f"register of version {found}, this skidwright knows {schema.VERSION}", str(path),
            "use the skidwright that wrote it, or a newer one",
        )  # fmt: skip


def _raised_copy(database: sqlite3.Connection) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:", isolation_level=None)
    database.backup(copy)
    database.close()
    copy.row_factory = sqlite3.Row
    schema.bring_up(copy)
    return copy
