"""Netlist and symbols read by a parser that is not ours: kiutils."""

from __future__ import annotations

from pathlib import Path

import pytest
from kiutils.symbol import SymbolLib
from kiutils.utils.sexpr import parse_sexp
from skidwright.rig.circuit import kicad
from skidwright.rig.circuit.checks import load
from skidwright.rig.circuit.model import KINDS

HARDWARE = Path(__file__).parents[2] / "hardware"
FILES = load(HARDWARE)
ALL = dict(zip(FILES.wiring.combinations(), FILES.circuits, strict=True))
ON_FILE = {
    "skid.net": frozenset(),
    "skid_everything.net": frozenset({"rs485", "tachometer_beside_rs485"}),
}


def read(name):
    """Parts by reference, and net by (reference, pad), of a netlist as KiCad's format describes it."""
    export = parse_sexp((HARDWARE / name).read_text())
    assert export[:2] == ["export", ["version", "E"]]
    section = {row[0]: row[1:] for row in export[2:]}
    parts = {}
    for comp in section["components"]:
        row = {field[0]: field[1] for field in comp[1:] if field[0] != "libsource"}
        row["libsource"] = next(f for f in comp[1:] if f[0] == "libsource")[2][1]
        assert row["ref"] not in parts
        parts[row["ref"]] = row
    nets = {}
    for net in section["nets"]:
        (_, net_name) = net[2]
        for _, ref, pad, *_ in net[3:]:
            assert (ref[1], pad[1]) not in nets
            nets[ref[1], pad[1]] = net_name
    return parts, nets


@pytest.mark.parametrize("name", ON_FILE)
def test_the_netlist_is_read_as_it_was_meant(name):
    taken = ON_FILE[name]
    circuit, wiring = ALL[taken], FILES.wiring.with_options(taken)
    parts, nets = read(name)
    pins = {(p.ref, KINDS[p.kind].pad(pin)): net for p in circuit.parts for pin, net in p.pins.items() if net}
    for c in wiring.connectors:
        pins |= {(c.id, str(t.number)): wiring.net_behind(t.carries) for t in c.terminals}
    assert nets == pins
    assert set(parts) == {p.ref for p in circuit.parts} | {c.id for c in wiring.connectors}
    assert len(parts) > 170
    assert all(p["footprint"].count(":") == 1 for p in parts.values())


def test_the_symbols_have_the_pins_of_their_kinds():
    library = {s.entryName: s for s in SymbolLib.from_file(str(HARDWARE / "skid.kicad_sym")).symbols}
    assert set(KINDS) <= set(library)
    for name, kind in KINDS.items():
        pins = [p for unit in library[name].units for p in unit.pins]
        assert [(p.name, p.number) for p in pins] == [(pin, kind.pad(pin)) for pin in kind.pins], name
        assert len({kind.pad(p) for p in kind.pins}) == len(kind.pins), f"{name}: a pad twice"
        # ends of pins on KiCad's grid of 1.27 mm, so that wires meet them
        assert all(abs(p.position.X / 1.27 - round(p.position.X / 1.27)) < 1e-6 for p in pins)
        assert all(abs(p.position.Y / 1.27 - round(p.position.Y / 1.27)) < 1e-6 for p in pins)


def test_every_kind_in_the_netlist_has_its_symbol():
    library = {s.entryName for s in SymbolLib.from_file(str(HARDWARE / "skid.kicad_sym")).symbols}
    for name in ON_FILE:
        assert {p["libsource"] for p in read(name)[0].values()} <= library


def test_a_name_with_quotes_survives():
    assert kicad._quoted('a "b" \\ c') == '"a \\"b\\" \\\\ c"'
