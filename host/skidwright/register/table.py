"""The assets of the register as a CSV table and back: RFC 4180, units in the heads, exact both ways.

The columns are `number`, those of `fields.FIELDS`, and `component_1_type`, `component_1_pressure_bar`,
`component_1_note` and so on. A table that is read may leave columns out, and their fields stay as they are;
an empty cell of a column that is there strikes the value out. Semicolons or tabs between the cells are
understood as well, with decimal commas, as spreadsheets of some countries write them.
"""

from __future__ import annotations

import csv
import difflib
import io
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

from skidwright.errors import RegisterError
from skidwright.register.fields import (
    BY_TITLE,
    FIELDS,
    MAX_COMPONENTS,
    NOTES,
    NUMBER,
    TEXT,
    Field,
    check,
    check_component,
    check_number,
    done,
    number_text,
    parse,
    text_of,
)
from skidwright.register.model import AssetRecord, Component

MAX_ROWS = 65536
# What begins a formula in a spreadsheet; the apostrophe itself, so that reading gives back what was written.
_FORMULA = ("=", "+", "-", "@", "'")
_PART = re.compile(r"component_([1-9]\d?)_(type|pressure_bar|note)")
_PART_NAMES = ("type", "pressure_bar", "note")
_PRESSURE = Field("pressure_bar", NUMBER, "", "bar", 0, 2000)


def write_table(records: Iterable[AssetRecord]) -> str:
    """The table as text, lines ending in CR LF."""
    records = list(records)
    parts = max((len(record.components) for record in records), default=0)
    out = io.StringIO(newline="")
    writer = csv.writer(out)
    heads = [f"component_{k}_{name}" for k in range(1, max(parts, 1) + 1) for name in _PART_NAMES]
    writer.writerow(["number", *(field.title for field in FIELDS), *heads])
    for record in records:
        row = [str(record.number)]
        for field in FIELDS:
            text = text_of(field, getattr(record, field.name))
            row.append(_guarded(text) if field.kind in (TEXT, NOTES) else text)
        for part in record.components:
            pressure = "" if part.pressure_bar is None else number_text(part.pressure_bar)
            row += [_guarded(part.type), pressure, _guarded(part.note)]
        writer.writerow([*row, *[""] * (1 + len(FIELDS) + len(heads) - len(row))])
    return out.getvalue()


def _guarded(text: str) -> str:
    """The text with an apostrophe before it where a spreadsheet would run it as a formula."""
    return f"'{text}" if text[:1] in _FORMULA else text


def read_table(text: str, known: Mapping[int, AssetRecord], where: str) -> list[AssetRecord]:
    """The assets that the table says, each built upon what is `known` of its number.

    Raises RegisterError that names file (`where`), line and column of the first cell that is wrong.
    """
    text = text.removeprefix("\ufeff")
    delimiter = _delimiter(text)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows = _Rows(where, delimiter)
    try:
        heads = [head.strip() for head in next(reader, [])]
        rows.check_heads(heads)
        found: dict[int, AssetRecord] = {}
        line = reader.line_num + 1
        for cells in reader:
            if any(cell.strip() for cell in cells):
                record = rows.record(line, cells, known)
                if record.number in found:
                    raise rows.refuse(line, "number", f"{record.number} stands twice")
                found[record.number] = record
            if len(found) > MAX_ROWS:
                raise rows.refuse(line, "number", "too many rows")
            line = reader.line_num + 1
    except csv.Error as error:
        raise RegisterError(
            f"no table in CSV ({error})", f"{where}: line {reader.line_num}", "correct that line"
        ) from None
    return list(found.values())


class _Rows:
    """Reads rows of a table with known heads."""

    def __init__(self, where: str, delimiter: str) -> None:
        self._where, self._delimiter = where, delimiter
        self._heads: list[str] = []

    def refuse(self, line: int, column: str, what: str) -> RegisterError:
        """The error for a cell."""
        return RegisterError(
            what, f"{self._where}: line {line}, column {column}", "correct that cell; nothing was changed"
        )

    def check_heads(self, heads: list[str]) -> None:
        """Take the first line; RegisterError for a head that is none."""
        known = ["number", *BY_TITLE]
        for head in heads:
            part = _PART.fullmatch(head)
            if head not in known and not (part and int(part[1]) <= MAX_COMPONENTS):
                near = difflib.get_close_matches(head, [*known, "component_1_type"], n=1)
                hint = f"did you mean {near[0]}?" if near else "`skidwright asset export -` shows all columns"
                raise RegisterError("there is no such column", f"{self._where}: line 1, {head!r}", hint)
            if heads.count(head) > 1:
                raise RegisterError("stands twice", f"{self._where}: line 1, {head!r}", "leave one out")
        if "number" not in heads:
            raise RegisterError(
                "the column number is missing", f"{self._where}: line 1", "give each asset its number"
            )
        self._heads = heads

    def record(self, line: int, cells: list[str], known: Mapping[int, AssetRecord]) -> AssetRecord:
        """One row as an asset."""
        if len(cells) > len(self._heads) and any(cell.strip() for cell in cells[len(self._heads) :]):
            raise self.refuse(line, str(len(self._heads) + 1), "a cell without a head above it")
        row = dict(zip(self._heads, [*cells, *[""] * len(self._heads)], strict=False))
        number = self._number(line, row["number"])
        values: dict[str, Any] = {}
        for head, cell in row.items():
            if head in BY_TITLE:
                field = BY_TITLE[head]
                values[field.name] = self._value(line, head, field, cell)
        if any(_PART.fullmatch(head) for head in row):
            values["components"] = self._components(line, row)
        record = replace(known.get(number, AssetRecord(number)), **values)
        try:
            check(record)
        except RegisterError as error:
            raise self.refuse(line, error.where.rpartition(": ")[2], error.what) from None
        return record

    def _number(self, line: int, cell: str) -> int:
        try:
            if not re.fullmatch(r"\s*\d{1,9}\s*", cell, re.ASCII):
                raise ValueError(f"{cell[:40]!r} is no asset number")
            check_number(int(cell))
        except ValueError as error:
            raise self.refuse(line, "number", str(error)) from None
        return int(cell)

    def _value(self, line: int, head: str, field: Field, cell: str) -> Any:
        if field.kind == NUMBER and self._delimiter != "," and "." not in cell:
            cell = cell.replace(",", ".")
        if field.kind in (TEXT, NOTES) and cell[:1] == "'" and cell[1:2] in _FORMULA:
            cell = cell[1:]
        try:
            return done(field, parse(field, cell))
        except ValueError as error:
            raise self.refuse(line, head, str(error)) from None

    def _components(self, line: int, row: Mapping[str, str]) -> tuple[Component, ...]:
        places = sorted({int(match[1]) for head in row if (match := _PART.fullmatch(head))})
        found = []
        for place in places:
            heads = {name: f"component_{place}_{name}" for name in _PART_NAMES}
            if not any(row.get(head, "").strip() for head in heads.values()):
                continue
            kind = self._value(line, heads["type"], Field("type", TEXT, ""), row.get(heads["type"], ""))
            note = self._value(line, heads["note"], Field("note", TEXT, ""), row.get(heads["note"], ""))
            pressure_head = heads["pressure_bar"]
            part = Component(
                kind, self._value(line, pressure_head, _PRESSURE, row.get(pressure_head, "")), note
            )
            try:
                check_component(part)
            except ValueError as error:
                raise self.refuse(line, heads["type"], str(error)) from None
            found.append(part)
        return tuple(found)


def _delimiter(text: str) -> str:
    """What stands between the heads: a comma, else a semicolon or a tab."""
    first = text.partition("\n")[0]
    return max(",;\t", key=lambda sign: (first.count(sign), sign == ","))
