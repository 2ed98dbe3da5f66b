"""Suggests a cleanliness target from a machine's components, with the reasons in words.

Each component needs a code (`component_targets.toml`, or the user's own table); the target is one or two
scale numbers cleaner than the most sensitive of them needs, channel by channel (common practice, no source).
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skidwright.config.checked_toml import read_toml
from skidwright.errors import ConfigError
from skidwright.formulas.iso4406 import format_code, parse_code
from skidwright.register.model import AssetRecord, Component

FILE_NAME = "component_targets.toml"
SHIPPED = Path(__file__).parent / FILE_NAME
MARKS = {
    "published": "published source",
    "practice": "common practice, no source",
    "memory": "from memory, common practice; not checked against a source",
}
MARGINS = (1, 2)
MARGIN_REASON = (
    "the target is one to two scale numbers cleaner than the most sensitive component needs, since a sample "
    "says nothing of the worst moment between two samples (common practice, no source)"
)
Code = tuple[int, int, int]


@dataclass(frozen=True)
class TargetRow:
    """One band of pressure of a type: up to `up_to_bar` (infinite in the last) it needs `code`."""

    up_to_bar: float
    code: Code
    mark: str
    source: str = ""


@dataclass(frozen=True)
class Table:
    """Rows by type, ascending in pressure, and the type that each name means (all in lower case)."""

    rows: dict[str, tuple[TargetRow, ...]]
    names: dict[str, str]

    def find(self, component: Component) -> TargetRow | None:
        """The row for a component, the one of the highest pressure when its pressure is not known.

        None for a type that is not in the table, or a pressure above the last of its rows.
        """
        rows = self.rows.get(self.names.get(_plain(component.type), ""), ())
        if component.pressure_bar is None:
            return rows[-1] if rows else None
        return next((row for row in rows if component.pressure_bar <= row.up_to_bar), None)


@dataclass(frozen=True)
class Suggestion:
    """A target for a machine. `needed` is what its most sensitive components need, None when none is known.

    `targets[margin]` is `needed` made cleaner by so many scale numbers. `unknown` are components without a
    row in the table; `reasons` says all of it in words.
    """

    needed: Code | None
    targets: dict[int, Code]
    reasons: tuple[str, ...]
    unknown: tuple[str, ...]


def suggest(record: AssetRecord, table: Table) -> Suggestion:
    """A target for a machine, by its components."""
    reasons, unknown, codes = [], [], []
    for part in record.components:
        row = table.find(part)
        if row is None:
            unknown.append(part.type)
            reasons.append(f"{_named(part, False)}: {_missing(part, table)}, so it is left out")
            continue
        codes.append(row.code)
        banded = len(table.rows[table.names[_plain(part.type)]]) > 1
        why = f"{row.source}, published" if row.mark == "published" else MARKS[row.mark]
        text = f"{_named(part, banded)} needs {format_code(row.code)} ({why})"
        reasons.append(f"{text}; {part.note}" if part.note else text)
    if not codes:
        reasons.append("without a component that the table knows there is nothing to go by")
        return Suggestion(None, {}, tuple(reasons), tuple(unknown))
    needed: Code = (min(c[0] for c in codes), min(c[1] for c in codes), min(c[2] for c in codes))
    reasons.append(f"so the most sensitive needs {format_code(needed)}, channel by channel")
    reasons.append(MARGIN_REASON)
    targets = {margin: _cleaner(needed, margin) for margin in MARGINS}
    return Suggestion(needed, targets, tuple(reasons), tuple(unknown))


def volume_to_prove_ml(code: Code, confidence: float = 0.95) -> float:
    """Volume in which a fluid half as dirty as `code` allows is proven to be within it, in every channel.

    One-sided and for a volume known to 1 %, `trade.counting.volume_for_number_ml`; 0 where nothing is asked.
    """
    from skidwright.formulas.counting import volume_for_number_ml
    from skidwright.formulas.iso4406 import UPPER_PER_ML

    # the fewer particles, the more fluid: the lowest number decides
    number = min(code)
    return float(volume_for_number_ml(UPPER_PER_ML[number] / 2, confidence, 0.01, at_most=number))


def load(own: Path | None = None) -> Table:
    """The table that comes along, with the types of the file `own` in place of its own.

    Raises ConfigError, in one line, for whatever is wrong in `own`.
    """
    shipped = _read(SHIPPED)
    if own is None:
        return shipped
    mine = _read(own)
    return Table({**shipped.rows, **mine.rows}, {**shipped.names, **mine.names})


def user_table() -> Path | None:
    """The user's own table in the place for settings, when there is one."""
    from platformdirs import user_config_path

    place = user_config_path("skidwright", appauthor=False) / FILE_NAME
    return place if place.is_file() else None


def _cleaner(code: Code, margin: int) -> Code:
    first, second, third = (max(0, number - margin) for number in code)
    return first, second, third


def _named(part: Component, banded: bool) -> str:
    """A component with its pressure; one that nobody entered is told only where it matters."""
    if part.pressure_bar is not None:
        return f"{part.type} at {part.pressure_bar:g} bar"
    return f"{part.type} at a pressure nobody entered, taken as the highest," if banded else part.type


def _missing(part: Component, table: Table) -> str:
    if _plain(part.type) in table.names:
        return "above the pressures of the table"
    near = difflib.get_close_matches(_plain(part.type), list(table.names), n=1, cutoff=0.6)
    return "not in the table" + (f" (did you mean {near[0]}?)" if near else "")


def _plain(name: str) -> str:
    return " ".join(name.lower().split())


def _read(path: Path) -> Table:
    try:
        raw = read_toml(path)
    except OSError as error:
        raise ConfigError(
            error.strerror or "cannot be read", str(path), "check the file and its permissions"
        ) from None
    except ValueError as error:
        raise ConfigError(f"not valid TOML: {error}", str(path), "correct that place") from None
    given = raw.get("component")
    if set(raw) != {"component"} or not isinstance(given, list):
        raise ConfigError(
            "only [[component]] tables are known here",
            str(path),
            "see `skidwright asset suggest --show-table`",
        )
    rows: dict[str, tuple[TargetRow, ...]] = {}
    names: dict[str, str] = {}
    for place, table in enumerate(given, 1):
        where = f"{path}: component {place}"
        kind, also, found = _component(table, where)
        if kind in rows:
            raise ConfigError(f"{kind} stands twice", where, "leave one out")
        rows[kind] = found
        names.update(dict.fromkeys([kind, *also], kind))
    return Table(rows, names)


def _component(table: Any, where: str) -> tuple[str, list[str], tuple[TargetRow, ...]]:
    if not isinstance(table, Mapping) or set(table) - {"type", "also", "rows"}:
        raise ConfigError("there is an unknown key", where, "known are type, also, rows")
    kind, also, given = table.get("type"), table.get("also", []), table.get("rows")
    if not isinstance(kind, str) or not kind.strip():
        raise ConfigError("the type is missing", where, 'write type = "servo valve"')
    if not isinstance(also, list) or not all(isinstance(name, str) for name in also):
        raise ConfigError("also is no list of names", where, 'write also = ["another name"]')
    if not isinstance(given, list) or not given:
        raise ConfigError(
            "the rows are missing", where, 'write rows = [{ code = "18/16/13", mark = "memory" }]'
        )
    found = tuple(_row(row, f"{where}, row {k}", k == len(given)) for k, row in enumerate(given, 1))
    for lower, higher in zip(found, found[1:], strict=False):
        if lower.up_to_bar >= higher.up_to_bar:
            raise ConfigError("up_to_bar must rise from row to row", where, "correct their order")
    return _plain(kind), [_plain(name) for name in also], found


def _row(row: Any, where: str, last: bool) -> TargetRow:
    if not isinstance(row, Mapping) or set(row) - {"up_to_bar", "code", "mark", "source"}:
        raise ConfigError("there is an unknown key", where, "known are up_to_bar, code, mark, source")
    pressure = row.get("up_to_bar", math.inf if last else None)
    if isinstance(pressure, bool) or not isinstance(pressure, (int, float)) or not pressure > 0:
        raise ConfigError(
            "up_to_bar is no pressure", where, "give it in bar; only the last row may leave it out"
        )
    try:
        code = parse_code(str(row.get("code", "")))
    except ValueError as error:
        raise ConfigError(f"code: {error}", where, "correct it") from None
    mark, source = row.get("mark"), row.get("source", "")
    if mark not in MARKS:
        raise ConfigError(f"mark {mark!r} is not known", where, f"write one of {', '.join(MARKS)}")
    if not isinstance(source, str) or (mark == "published" and not source.strip()):
        raise ConfigError("a published figure needs its source", where, 'write source = "..."')
    return TargetRow(float(pressure), code, mark, source)
