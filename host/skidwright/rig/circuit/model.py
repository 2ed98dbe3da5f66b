"""Reads hardware/circuit.toml: the parts in the box and the nets they are on."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from skidwright.errors import RigError
from skidwright.rig.front_end.parts import FrontEnd
from skidwright.rig.tables import build, check_tables, read_toml, rows
from skidwright.rig.wiring.model import OTHER_CONDUCTORS, Signal, Wiring, fitted


@dataclass(frozen=True)
class Kind:
    """A kind of part: title, prefix, the pins' marks in order, footprint, and where "passive" is not the
    type.
    """

    title: str
    prefix: str
    pins: tuple[str, ...]
    footprint: str
    pads: tuple[
        str, ...
    ] = ()  # of the footprint, in the order of the pins; () where marks and pads are the same

    def pad(self, pin: str) -> str:
        """The footprint's pad of a pin."""
        return self.pads[self.pins.index(pin)] if self.pads else pin


_BOARD_PINS = tuple(str(n) for n in range(1, 41))
_ARRAY_PINS = (
    *(f"IN{n}" for n in range(1, 9)), *(f"OUT{n}" for n in range(1, 9)), "COM", "V", "G",
)  # fmt: skip

KINDS: dict[str, Kind] = {
    "resistor": Kind("resistor", "R", ("1", "2"), "Resistor_THT:R_Axial_DIN0207_L6.3mm_D2.5mm_P10.16mm_Horizontal"),
    "capacitor": Kind("capacitor", "C", ("1", "2"), "Capacitor_THT:C_Disc_D5.0mm_W2.5mm_P5.00mm"),
    "electrolytic": Kind("electrolytic capacitor", "C", ("P", "N"), "Capacitor_THT:CP_Radial_D10.0mm_P5.00mm", pads=("1", "2")),
    "diode": Kind("diode", "D", ("A", "K"), "Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal", pads=("2", "1")),
    "schottky": Kind("Schottky diode", "D", ("A", "K"), "Diode_THT:D_DO-41_SOD81_P10.16mm_Horizontal", pads=("2", "1")),
    "zener": Kind("Zener diode", "D", ("A", "K"), "Diode_THT:D_DO-35_SOD27_P7.62mm_Horizontal", pads=("2", "1")),
    "suppressor": Kind("suppressor diode", "D", ("A", "K"), "Diode_THT:D_DO-15_P12.70mm_Horizontal", pads=("2", "1")),
    "suppressor_both": Kind(
        "suppressor diode, both ways", "D", ("1", "2"), "Diode_THT:D_P600_R-6_P12.70mm_Horizontal"
    ),
    "clamp": Kind("dual Schottky diode", "D", ("A", "K", "M"), "Package_TO_SOT_SMD:SOT-23", pads=("1", "2", "3")),
    "fuse": Kind("fuse", "F", ("1", "2"), "Fuse:Fuseholder_Cylinder-5x20mm_Schurter_0031_8201_Horizontal_Open"),
    "resettable_fuse": Kind("resettable fuse", "F", ("1", "2"), "Resistor_THT:R_Radial_Power_L9.0mm_W10.0mm_Px2.70mm_Py2.30mm"),
    "relay": Kind(
        "relay, two make contacts", "K", ("A1", "A2", "13", "14", "23", "24"), "TerminalBlock:TerminalBlock_bornier-6_P5.08mm", pads=("1", "2", "3", "4", "5", "6")),
    "nmos": Kind("N-channel transistor", "Q", ("G", "D", "S"), "Package_TO_SOT_THT:TO-220-3_Vertical", pads=("1", "2", "3")),
    "nmos_small": Kind("N-channel transistor", "Q", ("G", "D", "S"), "Package_TO_SOT_SMD:SOT-223-3_TabPin2", pads=("1", "2", "3")),
    "pmos": Kind("P-channel transistor", "Q", ("G", "D", "S"), "Package_TO_SOT_THT:TO-220-3_Vertical", pads=("1", "2", "3")),
    "gate_driver": Kind(
        "dual gate driver", "U", ("INA", "OUTA", "INB", "OUTB", "V", "G"), "Package_DIP:DIP-8_W7.62mm_Socket", pads=("2", "7", "4", "5", "6", "3")),
    "driver_array": Kind("driver array, 8 channels", "U", _ARRAY_PINS, "Package_DIP:DIP-20_W7.62mm_Socket", pads=("1", "2", "3", "4", "5", "6", "7", "8", "18", "17", "16", "15", "14", "13", "12", "11", "10", "20", "9")),
    "comparator": Kind("comparator, open drain", "U", ("P", "N", "OUT", "V", "G"), "Package_TO_SOT_SMD:SOT-23-5", pads=("3", "4", "1", "5", "2")),
    "optocoupler": Kind("optocoupler", "U", ("A", "K", "E", "C"), "Package_DIP:DIP-4_W7.62mm", pads=("1", "2", "3", "4")),
    "converter": Kind("converter 24 V to 5 V", "A", ("IN", "G", "OUT"), "Connector_PinHeader_2.54mm:PinHeader_1x03_P2.54mm_Vertical", pads=("1", "2", "3")),
    "board": Kind("microcontroller board", "A", _BOARD_PINS, "Module:RaspberryPi_Pico_Common_THT"),
    "transceiver": Kind(
        "RS-485 transceiver, auto-direction", "A", ("V", "G", "TXD", "RXD", "A", "B"),
        "Connector_PinHeader_2.54mm:PinHeader_1x06_P2.54mm_Vertical", pads=("1", "2", "3", "4", "5", "6")),
}  # fmt: skip


# What a value's name in front_end.toml ends with, and the factor to the plain unit.
_UNITS = {"_uf": 1e-6, "_nf": 1e-9, "_pf": 1e-12}


@dataclass(frozen=True)
class CircuitPart:
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
    parts: tuple[CircuitPart, ...]
    signal: str = ""


@dataclass(frozen=True)
class Circuit:
    """Everything in the box."""

    blocks: tuple[Block, ...]

    @property
    def parts(self) -> tuple[CircuitPart, ...]:
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


def _part(row: _PartRow, where: str, front_end: FrontEnd, nets: dict[str, str], number: int) -> CircuitPart:
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
    return CircuitPart(ref, row.kind, pins, figures[0], figures[1], figures[2], row.item)


def _figure(given: Any, where: str, front_end: FrontEnd) -> float:
    if not isinstance(given, str):
        return float(given)
    block, _, key = given.partition(".")
    found = getattr(getattr(front_end, block, None), key, None)
    if not isinstance(found, int | float):
        raise RigError(f"{where}: '{given}' is not in front_end.toml")
    return found * next((factor for end, factor in _UNITS.items() if key.endswith(end)), 1.0)
