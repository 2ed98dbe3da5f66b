"""Reads hardware/circuit.toml: the parts in the box and the nets they are on."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from skidwright.errors import RigError

from ..front_end.parts import FrontEnd
from ..tables import build, check_tables, read_toml, rows
from ..wiring.model import OTHER_CONDUCTORS, Signal, Wiring, fitted
from .kinds import KINDS

# What a value's name in front_end.toml ends with, and the factor to the plain unit.
_UNITS = {"_uf": 1e-6, "_nf": 1e-9, "_pf": 1e-12}


@dataclass(frozen=True)
class Part:
    """A part: its reference, kind, the net on each pin ("" for none), its line in the bill of materials.

    `value` is in ohm, farad, volt or ampere, `tolerance` in per cent, `bears` in watt (resistor, Zener
    diode), volt (capacitor) or ampere (diode, transistor), for long; 0 where there is none.
    """

    ref: str
    kind: str
    pins: dict[str, str]
    value: float
    tolerance: float
    bears: float
    item: str


@dataclass(frozen=True)
class Block:
    """Parts that work together, as one drawing shows them; `signal` is whose they are, "" for everybody's."""

    name: str
    title: str
    parts: tuple[Part, ...]
    signal: str = ""


@dataclass(frozen=True)
class Circuit:
    """Everything in the box."""

    blocks: tuple[Block, ...]

    @property
    def parts(self) -> tuple[Part, ...]:
        """All parts of all blocks."""
        return tuple(p for b in self.blocks for p in b.parts)

    def only(self, *names: str) -> Circuit:
        """The blocks of these names; "comparator:flow_meter" is the one of that signal."""
        chosen = [b for b in self.blocks if b.name in names or f"{b.name}:{b.signal}" in names]
        if not chosen:
            raise ValueError(f"no block named {' or '.join(names)}")
        return Circuit(tuple(chosen))

    def without(self, *refs: str) -> Circuit:
        """All parts but these."""
        return Circuit(
            tuple(replace(b, parts=tuple(p for p in b.parts if p.ref not in refs)) for b in self.blocks)
        )


@dataclass(frozen=True)
class _PartRow:
    ref: str
    kind: str
    nets: tuple[str, ...]
    item: str
    value: Any = 0.0
    tolerance: Any = 0.0
    bears: Any = 0.0
    options: tuple[str, ...] = ()


@dataclass(frozen=True)
class _BlockRow:
    name: str
    title: str
    parts: tuple[Any, ...]


def load(path: Path, front_end: FrontEnd, wiring: Wiring, taken: frozenset[str] = frozenset()) -> Circuit:
    """The circuit in a file for a wiring with the options `taken`, values looked up in `front_end`.

    Raises RigError naming the part that is wrong.
    """
    document = read_toml(path)
    try:
        check_tables(document, ("block",))
        blocks = _blocks(rows(document, "block"), front_end, wiring, taken)
    except RigError as problem:
        raise RigError(f"{path}: {problem}") from None
    for ref, times in Counter(p.ref for b in blocks for p in b.parts).items():
        if times > 1:
            raise RigError(f"{path}: part {ref} stands {times} times; one reference, one part")
    return Circuit(tuple(blocks))


def _blocks(tables: list[Any], front_end: FrontEnd, wiring: Wiring, taken: frozenset[str]) -> list[Block]:
    # Numbers go by the place in the file, options last, so that a part keeps its reference under any option.
    numbers = {name: n for n, name in enumerate(_all_signals(wiring), 1)}
    as_taken = wiring.with_options(taken)
    shared = {s.name for s in wiring.supplies} | {c.name for c in wiring.conductors} | set(OTHER_CONDUCTORS)
    shared |= {f"gp{n}" for n in range(30)} | {"adc_reference", ""}
    blocks = []
    for table in tables:
        row = build(_BlockRow, table, "block")
        where = f"block {row.name}"
        made = [build(_PartRow, p, f"{where}, part") for p in row.parts]
        made = [p for p in made if fitted(p.options, taken)]
        own = any("terminal" in p.nets or "pin" in p.nets for p in made)
        if not own:
            parts = tuple(_part(p, where, front_end, {}, 0) for p in made)
            blocks.append(Block(row.name, row.title, parts))
            continue
        for s in as_taken.signals:
            if s.block == row.name:
                nets = _own_nets(made, s, shared)
                parts = tuple(_part(p, where, front_end, nets, numbers[s.name]) for p in made)
                blocks.append(Block(row.name, f"{row.title}: {s.title}", parts, s.name))
    return [b for b in blocks if b.parts]


def _all_signals(wiring: Wiring) -> list[str]:
    names = [s.name for s in wiring.signals]
    return names + [x.name for o in wiring.options for x in o.signals if x.name not in names]


def _own_nets(made: list[_PartRow], signal: Signal, shared: set[str]) -> dict[str, str]:
    names = {net for p in made for net in p.nets} - shared
    given = {"terminal": signal.name, "pin": f"gp{signal.gpio}"}
    return {net: given.get(net, f"{signal.name}.{net}") for net in names}


def _part(row: _PartRow, where: str, front_end: FrontEnd, nets: dict[str, str], number: int) -> Part:
    where = f"{where}, {row.ref}"
    kind = KINDS.get(row.kind)
    if kind is None:
        raise RigError(f"{where}: kind '{row.kind}' is not known; known are {', '.join(KINDS)}")
    if len(row.nets) != len(kind.pins):
        raise RigError(f"{where}: a {row.kind} has the pins {', '.join(kind.pins)}")
    pins = dict(zip(kind.pins, (nets.get(net, net) for net in row.nets), strict=True))
    # R2 of the 9th signal is R902: the block's own number behind the signal's.
    ref = f"{row.ref[0]}{number}{int(row.ref[1:]):02d}" if number else row.ref
    figures = [_figure(x, where, front_end) for x in (row.value, row.tolerance, row.bears)]
    return Part(ref, row.kind, pins, figures[0], figures[1], figures[2], row.item)


def _figure(given: Any, where: str, front_end: FrontEnd) -> float:
    if not isinstance(given, str):
        return float(given)
    block, _, key = given.partition(".")
    found = getattr(getattr(front_end, block, None), key, None)
    if not isinstance(found, int | float):
        raise RigError(f"{where}: '{given}' is not in front_end.toml")
    return found * next((factor for end, factor in _UNITS.items() if key.endswith(end)), 1.0)
