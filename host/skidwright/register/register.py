"""The register of assets beside the archive: read it, or be its only writer."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator
from dataclasses import astuple, fields
from pathlib import Path
from typing import Any, TypeVar

import filelock

from skidwright.archive.folder import Archive
from skidwright.errors import RegisterUnreadable, UnknownAsset
from skidwright.formulas.iso4406 import format_code, parse_code
from skidwright.register import database as db
from skidwright.register.fields import FIELDS, check, check_component, checked_event, parse, text_of
from skidwright.register.model import FILE_NAME, AssetRecord, Component, CostRange, Event, Paper, Receipt

Entry = TypeVar("Entry", Event, Paper, Receipt)
_RESTORE = "bring it back with `skidwright restore`"
_NAMES = ("number", *(field.name for field in FIELDS))


class Register:
    """The register of an archive; a context manager. Raises RegisterError and what is below it.

    `Register.open(archive)` reads; where no register was made yet it is empty. `Register.open(archive,
    write=True)` makes one if need be and is its only writer until closed. Every method that changes
    something is one transaction; `transaction()` makes one of several.
    """

    def __init__(self, path: Path, database: sqlite3.Connection, lock: filelock.BaseFileLock | None) -> None:
        self.path = path
        self._database = database
        self._lock = lock

    @classmethod
    def open(cls, archive: Path | str, write: bool = False) -> Register:
        """The register in the archive folder `archive`. Raises RegisterError, and ArchiveError to write."""
        path = Path(archive) / FILE_NAME
        if not write:
            return cls(path, db.connect(path if path.exists() else None, write=False), None)
        Archive.create(archive)
        lock = db.lock(path)
        try:
            return cls(path, db.connect(path, write=True), lock)
        except BaseException:
            lock.release()
            raise

    def __enter__(self) -> Register:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the register free."""
        self._database.close()
        if self._lock is not None:
            self._lock.release()

    @contextlib.contextmanager
    def transaction(self) -> Iterator[None]:
        """All changes inside, or none of them. One inside another is part of it."""
        with db.translated(self.path):
            if self._database.in_transaction:
                yield
                return
            self._database.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._database.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._database.execute("ROLLBACK")
                raise

    def copy_to(self, path: Path) -> None:
        """Write a consistent copy of the database to `path`, by SQLite's online backup."""
        with db.translated(path), contextlib.closing(sqlite3.connect(path)) as target:
            self.copy_into(target)

    def copy_into(self, target: sqlite3.Connection) -> None:
        """Make `target` a consistent copy of the database."""
        with db.translated(self.path):
            self._database.backup(target)

    # Assets

    def assets(self) -> list[AssetRecord]:
        """All assets by number."""
        parts: dict[int, list[Component]] = {}
        for row in self._rows("SELECT * FROM components ORDER BY asset, place"):
            with self._understood("components"):
                part = Component(row["type"], row["pressure_bar"], row["note"])
                check_component(part)
                parts.setdefault(row["asset"], []).append(part)
        found = []
        for row in self._rows("SELECT * FROM assets ORDER BY number"):
            with self._understood(f"asset {tuple(row)[0]}"):
                values = {field.name: parse(field, text_of(field, row[field.name])) for field in FIELDS}
                components = tuple(parts.get(row["number"], ()))
                found.append(AssetRecord(row["number"], **values, components=components))
        return found

    def asset(self, number: int) -> AssetRecord | None:
        """The asset of that number, None when the register does not know it."""
        return next((record for record in self.assets() if record.number == number), None)

    def put(self, records: AssetRecord | Iterable[AssetRecord]) -> None:
        """Enter assets, each in place of what was said of its number. RegisterError for a bad value."""
        records = [records] if isinstance(records, AssetRecord) else list(records)
        for record in records:
            check(record)
        columns = ", ".join(_NAMES)
        marks = ", ".join("?" * len(_NAMES))
        update = ", ".join(f"{name} = excluded.{name}" for name in _NAMES[1:])
        with self.transaction():
            for record in records:
                values = [getattr(record, name) for name in _NAMES]
                self._database.execute(
                    f"INSERT INTO assets ({columns}) VALUES ({marks}) "
                    f"ON CONFLICT (number) DO UPDATE SET {update}",
                    [_stored(value) for value in values],
                )
                self._database.execute("DELETE FROM components WHERE asset = ?", [record.number])
                self._database.executemany(
                    "INSERT INTO components VALUES (?, ?, ?, ?, ?)",
                    [(record.number, place, *astuple(part)) for place, part in enumerate(record.components)],
                )

    def ensure(self, number: int) -> None:
        """Make an entry of the number alone where there is none, for an asset that skid.toml describes."""
        if self.asset(number) is None:
            self.put(AssetRecord(number))

    def remove(self, number: int) -> None:
        """Strike out an asset with its events and costs. Papers and receipts stay. Raises UnknownAsset."""
        with self.transaction():
            if self._database.execute("DELETE FROM assets WHERE number = ?", [number]).rowcount == 0:
                raise _unknown(number, self.path)

    # What was done, issued, received, and what it costs

    def add_event(self, event: Event) -> int:
        """Enter something done to an asset of the register; returns its id. Raises UnknownAsset.

        A changed filter's day becomes the asset's `filter_fitted` when it is later than what stood there.
        """
        checked_event(event)
        with self.transaction():
            record = self.asset(event.asset)
            if record is None:
                raise _unknown(event.asset, self.path)
            day = event.when.astype("datetime64[D]").item()
            if event.kind == "filter" and (record.filter_fitted is None or day > record.filter_fitted):
                self._database.execute(
                    "UPDATE assets SET filter_fitted = ? WHERE number = ?", [day.isoformat(), event.asset]
                )
            return self._insert("events", event)

    def events(self, asset: int | None = None) -> list[Event]:
        """What was done to an asset, or to all, oldest first."""
        return self._entries("events", asset, lambda row: Event(**row))

    def add_paper(self, paper: Paper) -> int:
        """Enter a paper that was issued; returns its id, which is its number."""
        return self._insert("papers", paper)

    def papers(self, asset: int | None = None) -> list[Paper]:
        """The papers issued for an asset, or all, oldest first."""
        return self._entries("papers", asset, lambda row: Paper(**row))

    def add_receipt(self, receipt: Receipt) -> int:
        """Enter a fluid that was accepted or refused; returns the entry's id."""
        return self._insert("receipts", receipt)

    def receipts(self, asset: int | None = None) -> list[Receipt]:
        """The fluids accepted or refused for an asset, or all, oldest first."""

        def receipt(row: dict[str, Any]) -> Receipt:
            return Receipt(**{**row, "target": parse_code(row["target"]), "accepted": bool(row["accepted"])})

        return self._entries("receipts", asset, receipt)

    def put_cost(self, cost: CostRange) -> None:
        """Enter a range of costs of an asset, in place of that item's former one. Raises UnknownAsset."""
        assert cost.asset is not None
        with self.transaction():
            if self.asset(cost.asset) is None:
                raise _unknown(cost.asset, self.path)
            self._database.execute(
                "INSERT OR REPLACE INTO costs (asset, item, low, likely, high) VALUES (?, ?, ?, ?, ?)",
                [cost.asset, cost.item, cost.low, cost.likely, cost.high],
            )

    def costs(self, asset: int) -> list[CostRange]:
        """The ranges of costs that were entered for an asset, by item."""
        rows = self._rows("SELECT * FROM costs WHERE asset = ? ORDER BY item", asset)
        with self._understood("costs"):
            return [CostRange(**dict(row)) for row in rows]

    def _rows(self, query: str, *values: Any) -> list[sqlite3.Row]:
        with db.translated(self.path):
            return self._database.execute(query, values).fetchall()

    def _entries(self, table: str, asset: int | None, make: Callable[[dict[str, Any]], Entry]) -> list[Entry]:
        rows = self._rows(f"SELECT * FROM {table} WHERE ?1 IS NULL OR asset = ?1 ORDER BY utc_ms, id", asset)
        entries = []
        for row in map(dict, rows):
            with self._understood(f"{table}, entry {row.get('id')}"):
                if "content" in row:
                    row["content"] = json.loads(row["content"])
                entries.append(make(row))
        return entries

    @contextlib.contextmanager
    def _understood(self, place: str) -> Iterator[None]:
        """What another program or a bad disk made of `place`, as an error of ours."""
        try:
            yield
        except (ValueError, TypeError, LookupError, AttributeError, RecursionError) as error:
            raise RegisterUnreadable(f"not understood ({error})", f"{self.path}: {place}", _RESTORE) from None

    def _insert(self, table: str, entry: Event | Paper | Receipt) -> int:
        names = [field.name for field in fields(entry) if field.name != "id"]
        marks = ", ".join("?" * len(names))
        with self.transaction():
            done = self._database.execute(
                f"INSERT INTO {table} ({', '.join(names)}) VALUES ({marks})",
                [_stored(getattr(entry, name)) for name in names],
            )
        return int(done.lastrowid or 0)


def _stored(value: Any) -> Any:
    if isinstance(value, tuple):
        return format_code(value)
    if isinstance(value, dict):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, bool):
        return int(value)
    return value.isoformat() if hasattr(value, "isoformat") else value


def _unknown(number: int, path: Path) -> UnknownAsset:
    return UnknownAsset(
        f"no asset {number} in the register", str(path), f"enter it with `skidwright asset add {number}`"
    )
