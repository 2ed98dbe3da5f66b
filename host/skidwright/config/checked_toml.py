"""A TOML file that anybody may have written: bounded in size, depth and numbers, read key by key; what
does not belong is refused by name."""

from __future__ import annotations

import datetime
import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from skidwright.errors import ConfigError

MAX_BYTES = 1 << 20
_MAX_INT = 1 << 63
_ENDLESS = re.compile(r"[0-9_]{1000,}")


def read_toml(path: Path) -> dict[str, Any]:
    """The table in the file at `path`.

    Raises OSError when it cannot be read, ValueError with one line for what is no TOML or beyond all
    measure: more than 1 MB, nested too deep, a whole number beyond 64 bits (TOML 1.0 promises no more).
    """
    with path.open("rb") as file:
        raw = file.read(MAX_BYTES + 1)
    if len(raw) > MAX_BYTES:
        raise ValueError("longer than 1 MB")
    try:
        # Editors of Windows put a byte order mark before the text.
        text = raw.decode("utf-8-sig")
        _refuse_endless_digits(text)
        table = tomllib.loads(text)
        _check(table, "")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ValueError(
            f"byte 0x{raw[error.start]:02x} in line {line} is not UTF-8; save it as UTF-8"
        ) from None
    except RecursionError:
        raise ValueError("nested too deep") from None
    return table


def _refuse_endless_digits(text: str) -> None:
    """Raise ValueError, with its line, for a number that Python would refuse to convert, without one."""
    found = _ENDLESS.search(text)
    if found:
        line = text.count("\n", 0, found.start()) + 1
        raise ValueError(f"a number of {len(found.group()):,} digits in line {line}")


def _check(value: Any, where: str) -> None:
    if isinstance(value, dict):
        for name, item in value.items():
            _check(item, f"{where}.{name}" if where else str(name))
    elif isinstance(value, list):
        for place, item in enumerate(value, 1):
            _check(item, f"{where} {place}")
    elif isinstance(value, int) and not -_MAX_INT <= value < _MAX_INT:
        raise ValueError(f"{where}: a whole number beyond 64 bits")


DAY_ZERO = datetime.date(2000, 1, 1)


class TableReader:
    """Reads keys of one table and refuses what does not belong, always naming file and key."""

    def __init__(self, path: Path, table: str, values: Mapping[str, Any], known: Iterable[str]) -> None:
        self.path, self.table, self.values = path, table, values
        if not isinstance(values, Mapping):
            raise self.refuse(
                "", "must be a table", f"write it as [{table}] with `key = value` lines below it"
            )
        known = list(known)
        for key in values:
            if key not in known:
                page = "docs/checks.md" if table == "checks" else "docs/settings.md"
                raise self.refuse(key, "there is no such key", suggestion(key, known, page))

    def refuse(self, key: str, what: str, remedy: str) -> ConfigError:
        """The error for `key` of this table."""
        where = f"[{self.table}] {key}" if self.table else key
        return ConfigError(what, f"{self.path}: {where}".rstrip(), remedy)

    def text(self, key: str) -> str:
        value = self.values.get(key, "")
        if not isinstance(value, str) or len(value) > 200 or not value.isprintable():
            raise self.refuse(key, f"{value!r} is no text", "give up to 200 printable characters in quotes")
        return value

    def number(self, key: str, low: float, high: float, unit: str) -> float | None:
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise self.refuse(
                key, f"{value!r} is not allowed", f"give a number from {low:g} to {high:g} {unit}".rstrip()
            )
        return value

    def date(self, key: str) -> datetime.date | None:
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date) or value <= DAY_ZERO:
            raise self.refuse(
                key,
                f"{str(value)!r} is no date",
                "write it as 2026-03-31, without quotes, later than 2000-01-01",
            )
        return value


def suggestion(name: str, known: Iterable[str], page: str = "docs/settings.md") -> str:
    """A remedy for a name nobody knows: the nearest one, all when there are few, or the page with all."""
    known = sorted(known)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    if near:
        return f"did you mean {near[0]}?"
    if len(known) <= 10:
        return "known are " + ", ".join(known)
    return f"see {page} for all names"
