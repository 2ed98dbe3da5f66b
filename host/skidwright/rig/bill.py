"""The bill of materials: what to get by rating, what may stand in, how many for each build, at what price."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable
from dataclasses import dataclass, fields
from pathlib import Path

from skidwright.errors import RigError

NAME = "bill_of_materials.csv"
# What each build is for; the quantities of the third are those of the drawings.
BUILDS = {
    "smallest": "one machine, tapped without pressure, water and temperature, no option",
    "recommended": "three machines, two of them tapped under pressure, with converter and clock chip",
    "everything": "eight machines, all tapped under pressure, with metal sensor and every option",
}
GROUPS = {
    "hydraulics": "Hydraulics",
    "mechanics": "Frame, plates and fixings",
    "electrics": "In and at the box",
    "board": "On the circuit board",
    "tools": "Tools and protection",
}
UNITS = ("piece", "set", "m", "sheet")
_HEADS = ("item", "smallest / recommended / everything", "what, by rating", "instead", "not instead",
          "euros each", "have")  # fmt: skip
_NOTICE = "<!-- Written by `skidwright wiring make` from hardware/bill_of_materials.csv; edit there. -->"
_LEAD = """\
Quantities are those of the drawings for the build with everything, and less for the others. Prices are for
single pieces without tax, from memory, November 2026: they tell a large sum from a small one. Get offers
before you decide.
`skidwright bill --build smallest` lists one build alone, with `--json` for a spreadsheet of your own."""
_PRICED = re.compile(r"20\d\d-(0[1-9]|1[0-2]) \S.*")


@dataclass(frozen=True)
class BillLine:
    """One line. Prices in euros for one `unit`, bought singly, without tax; `priced` is month and source."""

    item: str
    group: str
    part: str
    rating: str
    may_be_replaced_by: str
    do_not_substitute: str
    unit: str
    smallest: float
    recommended: float
    everything: float
    each_low_eur: float
    each_high_eur: float
    priced: str

    def quantity(self, build: str) -> float:
        """How many of `unit` a build takes."""
        return float(getattr(self, build))


@dataclass(frozen=True)
class Total:
    """What a build or a group of it costs (euros, from lowest to highest), over how many lines."""

    build: str
    group: str
    lines: int
    low_eur: float
    high_eur: float


def load(hardware: Path) -> tuple[BillLine, ...]:
    """The lines of the bill in a hardware directory. Raises RigError naming the line that is wrong."""
    path = hardware / NAME
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as problem:
        raise RigError(f"{path}: cannot be read ({problem})") from None
    rows = csv.DictReader(text.splitlines())
    columns = [field.name for field in fields(BillLine)]
    if rows.fieldnames != columns:
        raise RigError(f"{path}: its first line must be {','.join(columns)}")
    items = tuple(_item(row, f"{path}: line {rows.line_num}") for row in rows)
    seen: set[str] = set()
    for item in items:
        if item.item in seen:
            raise RigError(f"{path}: {item.item} stands twice")
        seen.add(item.item)
    return items


def _item(row: dict[str, str], where: str) -> BillLine:
    values: dict[str, str | float] = {}
    for field in fields(BillLine):
        text = row.get(field.name)
        if text is None or None in row:
            raise RigError(
                f"{where}: {len(fields(BillLine))} columns are needed; quote a text with a comma in it"
            )
        if field.type == "str":
            values[field.name] = text.strip()
            continue
        try:
            values[field.name] = float(text)
        except ValueError:
            raise RigError(f"{where}: {field.name} takes a number, not '{text}'") from None
    item = BillLine(**values)  # type: ignore[arg-type]
    for name in ("item", "part", "may_be_replaced_by"):
        if not getattr(item, name):
            raise RigError(f"{where}: {name} is empty; write 'none' where nothing may replace it")
    if item.group not in GROUPS or item.unit not in UNITS:
        raise RigError(f"{where}: group is one of {', '.join(GROUPS)}; unit one of {', '.join(UNITS)}")
    if not 0 <= item.smallest <= item.everything or not 0 <= item.recommended <= item.everything:
        raise RigError(f"{where}: {item.item}: no build takes more than 'everything', none less than 0")
    if item.everything == 0 or item.unit != "m" and any(item.quantity(b) % 1 for b in BUILDS):
        raise RigError(f"{where}: {item.item}: whole quantities are needed, and some in 'everything'")
    if not 0 < item.each_low_eur <= item.each_high_eur < 1e6:
        raise RigError(f"{where}: {item.item}: each_low_eur must be above 0 and not above each_high_eur")
    if not _PRICED.fullmatch(item.priced):
        raise RigError(f"{where}: {item.item}: priced takes month and source, such as '2026-11 from memory'")
    return item


def page(items: Iterable[BillLine]) -> str:
    """The bill as a page in Markdown to shop and to tick off by, with the totals of the builds."""
    listed = list(items)
    lines = ["# What to get", "", _NOTICE, "", _LEAD, ""]
    lines += ["| build | for | lines | euros |", "| --- | --- | ---: | ---: |"]
    for total in totals(listed):
        if not total.group:
            cost = f"{_rounded(total.low_eur)} to {_rounded(total.high_eur)}"
            lines.append(f"| {total.build} | {BUILDS[total.build]} | {total.lines} | {cost} |")
    whole = next(t for t in totals(listed) if t.build == "recommended" and not t.group)
    counter = next(item for item in listed if item.item == "OPC")
    share = counter.each_high_eur / whole.high_eur
    lines += ["", f"The counter alone is {share:.0%} of the recommended build at its dearest."]
    for group, title in GROUPS.items():
        lines += ["", f"## {title}", "", f"| {' | '.join(_HEADS)} |", f"|{' --- |' * len(_HEADS)}"]
        for i in listed:
            if i.group == group:
                many = " / ".join(f"{i.quantity(build):g}" for build in BUILDS) + f" {i.unit}"
                each = f"{i.each_low_eur:g} to {i.each_high_eur:g}"
                what = f"{i.part}: {i.rating}" if i.rating else i.part
                cells = (i.item, many, what, i.may_be_replaced_by, i.do_not_substitute, each, "[ ]")
                lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def _rounded(euros: float) -> str:
    """To two figures: the prices are no better."""
    step = 10 ** max(0, len(str(int(euros))) - 2)
    return f"{round(euros / step) * step:,}"


def totals(items: Iterable[BillLine]) -> list[Total]:
    """What each build costs, group by group; the group "" is the whole of it."""
    listed, found = list(items), []
    for build in BUILDS:
        for group in (*GROUPS, ""):
            taken = [i for i in listed if group in ("", i.group) and i.quantity(build)]
            low, high = (
                sum(i.quantity(build) * price for i, price in zip(taken, prices, strict=True))
                for prices in ([i.each_low_eur for i in taken], [i.each_high_eur for i in taken])
            )
            found.append(Total(build, group, len(taken), low, high))
    return found
