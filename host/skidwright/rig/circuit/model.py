"""Reads hardware/circuit.toml: the parts in the box and the nets they are on."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skidwright.errors import RigError

from ..front_end.parts import FrontEnd
from ..tables import build, check_tables, read_toml, rows
from .kinds import KINDS


@dataclass(frozen=True)
class Part:
    """A part: its reference, kind, the net on each pin, its value (ohm, farad, henry, volt or ampere; 0 for
    none) and its line in the bill of materials."""

    ref: str
    kind: str
    pins: dict[str, str]
    value: float
    item: str


@dataclass(frozen=True)
class Block:
    """Parts that work together, as one drawing shows them."""

    name: str
    title: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class Circuit:
    """Everything in the box."""

    blocks: tuple[Block, ...]

    @property
    def parts(self) -> tuple[Part, ...]:
        """All parts of all blocks."""
        return tuple(p for b in self.blocks for p in b.parts)


@dataclass(frozen=True)
class _PartRow:
    ref: str
    kind: str
    nets: tuple[str, ...]
    item: str
    value: Any = 0.0


@dataclass(frozen=True)
class _BlockRow:
    name: str
    title: str
    parts: tuple[Any, ...]


def load(path: Path, front_end: FrontEnd) -> Circuit:
    """The circuit in a file, values looked up in `front_end`. Raises RigError naming the part."""
    document = read_toml(path)
    try:
        check_tables(document, ("block",))
        blocks = tuple(_block(row, front_end) for row in rows(document, "block"))
    except RigError as problem:
        raise RigError(f"{path}: {problem}") from None
    for ref, times in Counter(p.ref for b in blocks for p in b.parts).items():
        if times > 1:
            raise RigError(f"{path}: part {ref} stands {times} times; one reference, one part")
    return Circuit(blocks)


def _block(table: Any, front_end: FrontEnd) -> Block:
    row = build(_BlockRow, table, "block")
    return Block(row.name, row.title, tuple(_part(p, f"block {row.name}", front_end) for p in row.parts))


def _part(table: Any, where: str, front_end: FrontEnd) -> Part:
    row = build(_PartRow, table, f"{where}, part")
    kind = KINDS.get(row.kind)
    if kind is None:
        raise RigError(f"{where}, {row.ref}: kind '{row.kind}' is not known; known are {', '.join(KINDS)}")
    if len(row.nets) != len(kind.pins):
        raise RigError(f"{where}, {row.ref}: a {row.kind} has the pins {', '.join(kind.pins)}")
    pins = dict(zip(kind.pins, row.nets, strict=True))
    return Part(row.ref, row.kind, pins, _value(row.value, f"{where}, {row.ref}", front_end), row.item)


def _value(given: Any, where: str, front_end: FrontEnd) -> float:
    if isinstance(given, str):
        block, _, key = given.partition(".")
        found = getattr(getattr(front_end, block, None), key, None)
        if not isinstance(found, int | float):
            raise RigError(f"{where}: '{given}' is not in front_end.toml")
        return float(found)
    return float(given)
