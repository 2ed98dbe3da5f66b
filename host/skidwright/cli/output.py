"""Printing: tables for people, JSON for programs, times in ISO 8601 UTC."""

import datetime
import json
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console

PIPE_WIDTH = 140


def console(stderr: bool = False) -> "Console":
    """A rich console: colours only on a terminal and never when NO_COLOR is set; wide enough in a pipe."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    return Console(stderr=stderr, highlight=False, width=None if stream.isatty() else PIPE_WIDTH)


def print_json(answer: Any) -> None:
    """One JSON document on stdout."""
    unicode = (sys.stdout.encoding or "").lower().startswith("utf")
    print(json.dumps(answer, indent=2, ensure_ascii=not unicode, default=_plain))


def _plain(value: Any) -> Any:
    """JSON form of what numpy and datetime give."""
    if isinstance(value, datetime.datetime):
        return iso(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    return str(value)


def print_table(columns: Sequence[str], rows: Iterable[Sequence[Any]], title: str = "") -> None:
    """A table on stdout. A column whose name begins with ">" is right-aligned."""
    from rich import box
    from rich.table import Table

    table = Table(title=title or None, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD)
    for name in columns:
        right = name.startswith(">")
        table.add_column(name.lstrip(">"), justify="right" if right else "left", overflow="fold")
    for row in rows:
        table.add_row(*(_text(cell) for cell in row))
    console().print(table)


def _text(cell: Any) -> Any:
    from rich.text import Text

    # Text from a board or a file is no markup.
    return Text("" if cell is None else str(cell))


def say(text: str) -> None:
    """One line on stdout, as it is, at once."""
    print(text, flush=True)


def iso(moment: datetime.datetime) -> str:
    """ISO 8601 in UTC, to the second."""
    return moment.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def iso_ms(utc_ms: float | None) -> str:
    """ISO 8601 in UTC from milliseconds since 1970; "unknown" for None or 0."""
    if not utc_ms:
        return "unknown"
    return iso(datetime.datetime.fromtimestamp(utc_ms / 1000, datetime.UTC))


def print_lines(columns: Sequence[tuple[str, int]], rows: Iterable[Sequence[Any]]) -> None:
    """A table of fixed widths, row by row as they come: for tables of any length."""

    def line(cells: Iterable[Any]) -> str:
        return " ".join(
            str(cell).ljust(width) if width else str(cell)
            for cell, (_, width) in zip(cells, columns, strict=True)
        ).rstrip()

    print(line(name for name, _ in columns))
    for row in rows:
        print(line(row))
