"""Netlist and symbols in KiCad's open formats, so that a circuit board can be laid out from the same source.

Formats: KiCad developer documentation, "Netlist" (version E, as eeschema exports it) and "Symbol library file
format" (version 20220914). Both are S-expressions.
"""

from __future__ import annotations

import uuid

from skidwright.rig.circuit.model import KINDS, Kind

from ..wiring.model import Connector, Wiring
from .model import Circuit

LIBRARY = "skidwright"
# Node ids have to stay the same from one export to the next: made from the reference.
_SPACE = uuid.UUID("6d1f2c62-5f0e-4b52-9a2c-7d1c6f2b8e11")
_GRID = 2.54


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _terminals(connector: Connector) -> Kind:
    numbers = tuple(str(t.number) for t in connector.terminals)
    count = len(numbers)
    footprint = (
        f"TerminalBlock_Phoenix:TerminalBlock_Phoenix_MKDS-1,5-{count}_1x{count:02d}_P5.00mm_Horizontal"
    )
    return Kind(f"terminals, {count}", "J", numbers, footprint)


def _connectors(wiring: Wiring) -> dict[str, tuple[Kind, dict[str, str]]]:
    """Kind and nets of each connector, by its id."""
    return {
        c.id: (_terminals(c), {str(t.number): wiring.net_behind(t.carries) for t in c.terminals})
        for c in wiring.connectors
    }


def nets(circuit: Circuit, wiring: Wiring) -> dict[str, list[tuple[str, str]]]:
    """Every net with its (reference, pad) pairs, connectors included."""
    found: dict[str, list[tuple[str, str]]] = {}
    for part in circuit.parts:
        for pin, net in part.pins.items():
            if net:
                found.setdefault(net, []).append((part.ref, KINDS[part.kind].pad(pin)))
    for ref, (_, pins) in _connectors(wiring).items():
        for pad, net in pins.items():
            found.setdefault(net, []).append((ref, pad))
    return dict(sorted(found.items()))


def netlist(circuit: Circuit, wiring: Wiring) -> str:
    """The text of a .net file: components with footprints and lines of the bill of materials, and all
    nets.
    """
    lines = [
        '(export (version "E")',
        "  (design",
        '    (source "hardware/circuit.toml")',
        '    (tool "skidwright"))',
    ]
    lines.append("  (components")
    for part in sorted(circuit.parts, key=lambda p: p.ref):
        kind = KINDS[part.kind]
        value = f"{part.value:g}" if part.value else kind.title
        lines += _component(part.ref, value, kind, part.kind, part.item)
    for ref, (kind, _) in _connectors(wiring).items():
        lines += _component(ref, kind.title, kind, f"terminals_{len(kind.pins)}", "TERMINALS")
    lines[-1] += ")"
    lines.append("  (libparts")
    for name, kind in _library(wiring).items():
        pins = " ".join(
            f'(pin (num {_quoted(kind.pad(p))}) (name {_quoted(p)}) (type "passive"))' for p in kind.pins
        )
        lines.append(f"    (libpart (lib {_quoted(LIBRARY)}) (part {_quoted(name)}) (pins {pins}))")
    lines[-1] += ")"
    lines.append(f'  (libraries (library (logical {_quoted(LIBRARY)}) (uri "skid.kicad_sym")))')
    lines.append("  (nets")
    for code, (net, nodes) in enumerate(nets(circuit, wiring).items(), 1):
        lines.append(f"    (net (code {_quoted(str(code))}) (name {_quoted(net)})")
        lines += [
            f'      (node (ref {_quoted(ref)}) (pin {_quoted(pad)}) (pintype "passive"))'
            for ref, pad in nodes
        ]
        lines[-1] += ")"
    lines[-1] += "))"
    return "\n".join(lines) + "\n"


def _component(ref: str, value: str, kind: Kind, part: str, item: str) -> list[str]:
    return [
        f"    (comp (ref {_quoted(ref)})",
        f"      (value {_quoted(value)})",
        f"      (footprint {_quoted(kind.footprint)})",
        f'      (fields (field (name "Item") {_quoted(item)}))',
        f"      (libsource (lib {_quoted(LIBRARY)}) (part {_quoted(part)}) "
        f"(description {_quoted(kind.title)}))",
        '      (sheetpath (names "/") (tstamps "/"))',
        f"      (tstamps {_quoted(str(uuid.uuid5(_SPACE, ref)))}))",
    ]


def _library(wiring: Wiring) -> dict[str, Kind]:
    kinds = dict(KINDS)
    connectors = [c for t in wiring.combinations() for c in wiring.with_options(t).connectors]
    for connector in (*wiring.connectors, *connectors):
        kinds.setdefault(f"terminals_{len(connector.terminals)}", _terminals(connector))
    return kinds


def symbols(wiring: Wiring) -> str:
    """The text of a .kicad_sym file: a plain rectangle for each kind of part, its pins on both sides."""
    lines = ["(kicad_symbol_lib (version 20220914) (generator skidwright)"]
    for name, kind in _library(wiring).items():
        lines += _symbol(name, kind)
    return "\n".join(lines) + ")\n"


def _symbol(name: str, kind: Kind) -> list[str]:
    half = (len(kind.pins) + 1) // 2
    top = half * _GRID / 2
    effects = "(effects (font (size 1.27 1.27)))"
    hidden = "(effects (font (size 1.27 1.27)) hide)"
    lines = [
        f"  (symbol {_quoted(name)} (in_bom yes) (on_board yes)",
        f'    (property "Reference" {_quoted(kind.prefix)} (id 0) (at 0 {top + 3.81:.2f} 0) {effects})',
        f'    (property "Value" {_quoted(name)} (id 1) (at 0 {-top - 3.81:.2f} 0) {effects})',
        f'    (property "Footprint" {_quoted(kind.footprint)} (id 2) (at 0 0 0) {hidden})',
        f'    (property "Datasheet" "" (id 3) (at 0 0 0) {hidden})',
        f"    (symbol {_quoted(name + '_0_1')}",
        f"      (rectangle (start -7.62 {top + 1.27:.2f}) (end 7.62 {-top - 1.27:.2f})",
        "        (stroke (width 0.254) (type default)) (fill (type background))))",
        f"    (symbol {_quoted(name + '_1_1')}",
    ]
    for n, pin in enumerate(kind.pins):
        x, angle = (-12.7, 0) if n < half else (12.7, 180)
        y = top - _GRID * (n % half) - _GRID / 2
        lines.append(
            f"      (pin passive line (at {x:g} {y:.2f} {angle}) (length 5.08) "
            f"(name {_quoted(pin)} {effects}) (number {_quoted(kind.pad(pin))} {effects}))"
        )
    lines[-1] += "))"
    return lines
