"""The register's SQLite file: its tables, their versions, and how it is opened."""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import filelock

from skidwright.errors import (
    DiskFull,
    RegisterBusy,
    RegisterError,
    RegisterUnreadable,
    RegisterVersion,
    printable,
)
from skidwright.register.model import FILE_NAME

VERSION = 1
# "SKWR": tells a register from a database of something else.
APPLICATION_ID = 0x534B5752

_FIRST = """
CREATE TABLE assets (
  number INTEGER PRIMARY KEY CHECK (number BETWEEN 1 AND 65535),
  name TEXT NOT NULL DEFAULT '',
  machine TEXT NOT NULL DEFAULT '',
  fluid TEXT NOT NULL DEFAULT '',
  v40_mm2_s REAL,
  v100_mm2_s REAL,
  water_a REAL,
  water_b REAL,
  volume_l REAL,
  filter_name TEXT NOT NULL DEFAULT '',
  filter_ratio REAL,
  filter_size_um REAL,
  filter_fitted TEXT,               -- ISO 8601 date
  target TEXT,                      -- ISO 4406 code "18/16/13"
  target_21um INTEGER,
  water_limit_percent REAL,
  coldest_c REAL,
  sampling_point TEXT NOT NULL DEFAULT '',
  interval_h REAL,
  notes TEXT NOT NULL DEFAULT ''
);
CREATE TABLE components (
  asset INTEGER NOT NULL REFERENCES assets (number) ON DELETE CASCADE,
  place INTEGER NOT NULL,
  type TEXT NOT NULL,
  pressure_bar REAL,
  note TEXT NOT NULL DEFAULT '',
  PRIMARY KEY (asset, place)
);
CREATE TABLE events (
  id INTEGER PRIMARY KEY,
  asset INTEGER NOT NULL REFERENCES assets (number) ON DELETE CASCADE,
  utc_ms INTEGER NOT NULL,
  kind TEXT NOT NULL,
  text TEXT NOT NULL DEFAULT '',
  volume_l REAL,
  downtime_h REAL,
  cost REAL
);
CREATE INDEX events_by_asset ON events (asset, utc_ms);
-- Papers and receipts are proof: they outlive the asset's entry.
CREATE TABLE papers (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  utc_ms INTEGER NOT NULL,
  asset INTEGER,
  digest TEXT NOT NULL,
  path TEXT NOT NULL,
  content TEXT NOT NULL             -- JSON
);
CREATE TABLE receipts (
  id INTEGER PRIMARY KEY,
  utc_ms INTEGER NOT NULL,
  asset INTEGER,
  fluid TEXT NOT NULL,
  target TEXT NOT NULL,
  accepted INTEGER NOT NULL,
  content TEXT NOT NULL             -- JSON
);
CREATE TABLE costs (
  asset INTEGER NOT NULL REFERENCES assets (number) ON DELETE CASCADE,
  item TEXT NOT NULL,
  low REAL NOT NULL,
  likely REAL NOT NULL,
  high REAL NOT NULL,
  PRIMARY KEY (asset, item)
);
"""

# One script a version: what brings a register of the version before up to it.
_STEPS = (_FIRST,)
assert len(_STEPS) == VERSION


def version_of(database: sqlite3.Connection) -> int:
    """The version of the schema in `database`; 0 for one without tables, -1 for one of something else."""
    found = int(database.execute("PRAGMA user_version").fetchone()[0])
    mark = int(database.execute("PRAGMA application_id").fetchone()[0])
    if mark == APPLICATION_ID:
        return found
    tables = database.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    return -1 if tables or found or mark else 0


def foreign(database: sqlite3.Connection) -> str:
    """What stands in `database` that `bring_up` did not make: triggers, views, tables of others; "" if none.

    A trigger would run whenever somebody writes; a table of another shape would be taken for the register's.
    """
    with contextlib.closing(sqlite3.connect(":memory:", isolation_level=None)) as own:
        bring_up(own)
        made = _objects(own)
    strange = sorted(f"{kind} {name}" for kind, name, _ in _objects(database) - made)
    return printable(", ".join(strange[:3]))


def _objects(database: sqlite3.Connection) -> set[tuple[str, str, str]]:
    rows = database.execute(
        "SELECT type, name, sql FROM sqlite_master WHERE name NOT LIKE 'sqlite_autoindex%'"
    )
    return {(str(row[0]), str(row[1]), str(row[2])) for row in rows}


def bring_up(database: sqlite3.Connection) -> None:
    """Make the tables, or bring older ones up to VERSION, in one transaction."""
    found = version_of(database)
    if found == VERSION:
        return
    script = "\n".join(_STEPS[found:])
    marks = f"PRAGMA application_id = {APPLICATION_ID}; PRAGMA user_version = {VERSION};"
    try:
        database.executescript(f"BEGIN IMMEDIATE; {script} {marks} COMMIT;")
    except sqlite3.Error:
        if database.in_transaction:
            database.execute("ROLLBACK")
        raise


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
        _check_version(version_of(database), shown)
        if write or path is None:
            bring_up(database)
        elif version_of(database) < VERSION:
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
    if found > VERSION:
        raise RegisterVersion(
            f"register of version {found}, this skidwright knows {VERSION}", str(path),
            "use the skidwright that wrote it, or a newer one",
        )  # fmt: skip


def _raised_copy(database: sqlite3.Connection) -> sqlite3.Connection:
    copy = sqlite3.connect(":memory:", isolation_level=None)
    database.backup(copy)
    database.close()
    copy.row_factory = sqlite3.Row
    bring_up(copy)
    return copy
