"""All that commands print: tables, lines, JSON and cautions."""

import datetime
import json
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import click

_PRESSURE = "A line under pressure can inject fluid through the skin; hot fluid burns. See docs/safety.md."
PUMP_RUNS = f"The pump will run: stop chain within reach, lines secured, hands off fittings. {_PRESSURE}"
MAY_START = (
    "The skid may start by itself from now on: stop chain within reach, lines secured, hands off fittings, "
    f"guard on the coupling. {_PRESSURE}"
)
WIRING = (
    "Caution: disconnect 24 V and USB before you touch the wiring; mains belongs to a licensed electrician. "
    "Local codes come first. See docs/safety.md."
)


if TYPE_CHECKING:
    from rich.console import Console
    from rich.text import Text

PIPE_WIDTH = 140
JSON_VERSION = 1
# A document of ours in an answer (a certificate, a calibration) has a number of its own format.
_DOCUMENT = {"format": "document_format"}
_MOST_LAID_OUT = 1000  # rows; laying out takes about a millisecond each
_GAP = 3  # cells that a column takes beside its text


def console(stderr: bool = False) -> "Console":
    """A rich console: colours only on a terminal and never when NO_COLOR is set; wide enough in a pipe."""
    from rich.console import Console

    stream = sys.stderr if stderr else sys.stdout
    return Console(stderr=stderr, highlight=False, width=None if stream.isatty() else PIPE_WIDTH)


def print_json(answer: dict[str, Any]) -> None:
    """One JSON document on stdout, headed by the name and version of its format."""
    print(json_text(_headed(answer), indent=2))


def print_json_line(answer: dict[str, Any]) -> None:
    """The same on one line, at once: for answers that come again and again."""
    print(json_text(_headed(answer)), flush=True)


def _headed(answer: dict[str, Any]) -> dict[str, Any]:
    return json_head() | {_DOCUMENT.get(name, name): value for name, value in answer.items()}


def json_head() -> dict[str, Any]:
    """What every answer begins with: the command's own name, so that no command can forget it, and the
    version, which rises when a field goes or changes its meaning."""
    names = []
    context: click.Context | None = click.get_current_context()
    while context is not None:
        names.append(context.command.name or "")
        context = context.parent
    return {"format": " ".join(reversed(names)), "version": JSON_VERSION}


def json_text(value: Any, indent: int | None = None) -> str:
    """`value` as JSON in the characters that stdout can show."""
    unicode = (sys.stdout.encoding or "").lower().startswith("utf")
    return json.dumps(value, indent=indent, ensure_ascii=not unicode, default=_plain)


def _plain(value: Any) -> Any:
    """JSON form of what numpy and datetime give."""
    if isinstance(value, datetime.datetime):
        return iso(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    return str(value)


def print_table(columns: Sequence[str], rows: Iterable[Sequence[Any]], title: str = "") -> None:
    """A table on stdout. A column whose name begins with ">" is right-aligned.

    Where the terminal is too narrow to keep words and paths whole, each row becomes a block of lines.
    """
    from rich import box
    from rich.table import Table

    rows = list(rows)
    if len(rows) > _MOST_LAID_OUT:
        _print_long(columns, rows, title)
        return
    screen = console()
    names = [name.lstrip(">") for name in columns]
    cells = [[_text(cell) for cell in row] for row in rows]
    widths = _widths(names, cells, screen.width)
    if not widths:
        _print_blocks(screen, names, cells, title)
        return
    table = Table(
        title=_text(title) if title else None,
        title_justify="left",
        title_style="bold",
        box=box.SIMPLE_HEAD,
        show_header=any(names),
    )
    for name, width in zip(columns, widths, strict=True):
        table.add_column(name.lstrip(">"), justify="right" if name.startswith(">") else "left", width=width)
    for row in cells:
        table.add_row(*row)
    screen.print(table)


def _print_long(columns: Sequence[str], rows: Sequence[Sequence[Any]], title: str) -> None:
    """A table too long to be laid out cell by cell, as lines of fixed widths."""
    texts = [["" if cell is None else " ".join(str(cell).split()) for cell in row] for row in rows]
    names = [name.lstrip(">") for name in columns]
    right = [name.startswith(">") for name in columns]
    widths = [max(map(len, (names[i], *(row[i] for row in texts)))) for i in range(len(names))]
    if title:
        say(title)
    for row in (names, *texts):
        cells = zip(row, widths, right, strict=True)
        print("  ".join(t.rjust(w) if to_right else t.ljust(w) for t, w, to_right in cells).rstrip())


def _widths(names: Sequence[str], rows: Sequence[Sequence["Text"]], room: int) -> list[int]:
    """Cells for each column so that no word is broken and `room` is not exceeded; [] when there is no way."""
    from rich.cells import cell_len

    columns = [[name, *(row[i].plain for row in rows)] for i, name in enumerate(names)]
    least = [
        max((cell_len(word) for text in column for word in text.split()), default=0) for column in columns
    ]
    wanted = [max(cell_len(line) for text in column for line in text.split("\n")) for column in columns]
    left = room - sum(least) - _GAP * len(names) - 1
    if left < 0:
        return []
    widths = least
    while left and (short := [i for i, width in enumerate(widths) if width < wanted[i]]):
        # The column that lacks least is helped first: a name is kept on one line before a sentence.
        first = min(short, key=lambda i: wanted[i] - widths[i])
        given = min(left, wanted[first] - widths[first])
        widths[first] += given
        left -= given
    return widths


def _print_blocks(
    screen: "Console", names: Sequence[str], rows: Sequence[Sequence["Text"]], title: str
) -> None:
    """Each row as lines of name and value, whatever the width; lines that are too long are left to wrap."""
    if title:
        screen.print(title, style="bold", soft_wrap=True, markup=False)
    width = max(map(len, names), default=0)
    for row in rows:
        screen.print()
        for name, value in zip(names, row, strict=True):
            if value.plain:
                screen.print(f"{name:{width}} ", value, sep=" ", soft_wrap=True, markup=False)


def _text(cell: Any) -> "Text":
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
