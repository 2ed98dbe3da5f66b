"""One table of a skid.toml, read key by key; what does not belong is refused by name."""

import datetime
import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from skidwright.errors import ConfigError

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
