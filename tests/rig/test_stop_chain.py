"""The stop chain wired by the terminal table alone: by logic, and in ngspice with coil and motor."""

from __future__ import annotations

import copy
import dataclasses
import tomllib
from pathlib import Path

import pytest
from skidwright.cli.app import run as run_command
from skidwright.rig.circuit import stop_proof, stop_simulation
from skidwright.rig.circuit.as_wired import Faults, Wire, build
from skidwright.rig.circuit.checks import check_circuit, load
from skidwright.rig.front_end import netlists, stop_chain
from skidwright.rig.wiring.checks import check_wiring
from skidwright.rig.wiring.model import parse

HARDWARE = Path(__file__).parents[2] / "hardware"
FILES = load(HARDWARE)
DOCUMENT = tomllib.loads((HARDWARE / "wiring.toml").read_text())
BEFORE = tomllib.loads((Path(__file__).parent / "kept" / "terminals_without_hold.toml").read_text())
PLAIN = FILES.wiring.with_options(frozenset())
SKID = build(FILES.circuit, PLAIN)
SINGLE_FAULTS = dict(stop_proof.single_faults(SKID))

needs_ngspice = pytest.mark.skipif(
    not netlists.available(), reason="ngspice is not installed (apt install ngspice)"
)


def wiring_before():
    """Today's wiring with the terminals J2 and J3 as they stood when K1's hold contact had none."""
    document = copy.deepcopy(DOCUMENT)
    kept = {c["id"]: c for c in BEFORE["connector"]}
    document["connector"] = [kept.get(c["id"], c) for c in document["connector"]]
    return parse(document).with_options(frozenset())


def by_net(wiring, *more):
    """A builder's reading of a table that names nets only: each device pin to the terminal of its net."""
    terminals = {t.carries: f"{c.id}.{t.number}" for c in wiring.connectors for t in c.terminals}
    wires = [
        Wire(terminals[net], f"{d.id}.{pin}", net)
        for d in wiring.devices for pin, net in d.pins.items() if net in terminals
    ]  # fmt: skip
    # The supply terminal stood for the chain's start, the overload relay was not there.
    wires += [Wire("J2.1", "PS.11", "v24"), Wire("J2.2", "F7.96", "over_pressure")]
    wires += [Wire("J2.2", "S1.11", "over_pressure"), Wire("J3.1", "M1.1", "v24_pump")]
    skid = build(FILES.circuit, wiring)
    return type(skid)(skid.circuit, skid.devices, tuple(wires), Faults(joined=more))


def test_the_chain_does_all_it_must():
    assert check_circuit(FILES.circuit, PLAIN) == []
    steps = {s.name: s.pump_live for s in stop_proof.run(SKID)}
    assert not steps["supply on"] and steps["RESET pressed"] and steps["RESET let go"]
    assert not steps["STOP pressed"] and not steps["STOP let go"] and not steps["RESET and STOP together"]
    assert not steps["supply back"]


def test_the_table_before_is_refused_by_rule():
    found = check_wiring(wiring_before())
    assert ("net-without-terminal", "S1.12") in {(p.rule, p.where) for p in found}
    text = next(str(p) for p in found if p.where == "S1.12")
    assert "'stop_made', which leaves the box" in text and "a terminal of its own" in text


def test_the_table_before_cannot_be_built_as_it_stands():
    skid = build(FILES.circuit, wiring_before())
    assert any("RESET pressed: K1 is out" in said for said in stop_proof.sound(skid))


@pytest.mark.parametrize(
    ("joined", "said"),
    [
        # The field joint between STOP and RESET is made, the hold contact hangs in the air.
        ((("S1.12", "S2.13"),), "RESET let go: K1 is out"),
        # The hold contact on the only terminal that is left: STOP is bridged once K1 is in.
        ((("S1.12", "S2.13"), ("stop_made", "over_pressure")), "STOP pressed: K1 is in"),
        # STOP straight on the terminal of the coil, as J2.2 and J2.3 suggest: no RESET is needed.
        ((("S1.12", "stop_chain"),), "supply on: K1 is in"),
    ],
    ids=["hold contact loose", "hold contact past STOP", "no RESET"],
)
def test_what_a_builder_could_make_of_the_table_before(joined, said):
    assert any(text.startswith(said) for text in stop_proof.sound(by_net(wiring_before(), *joined)))


@pytest.mark.parametrize("since", [0, stop_proof.RUNNING], ids=["from the start", "while the pump runs"])
@pytest.mark.parametrize("name", [n for n in SINGLE_FAULTS if n.startswith(("broken", "on earth"))])
def test_a_wire_that_breaks_or_touches_earth_is_safe(name, since):
    skid = SKID.with_faults(SINGLE_FAULTS[name])
    assert stop_proof.broken_rules(skid, since) == []
    if since and name.startswith("broken: J2") and "S2" not in name:
        assert not stop_proof.run(skid, since)[-1].pump_live


def test_every_chain_wire_is_tried():
    tried = {w for n, f in SINGLE_FAULTS.items() for w in f.broken}
    assert {str(w) for w in tried} == {str(w) for w in SKID.wires if w.terminal.startswith(("J2.", "J3."))}
    assert len(tried) == 13


def test_what_it_cannot_see_is_named_and_nothing_else_is():
    """Welded contacts, bridged cores and a jammed RESET: the list of docs/wiring.md, complete."""
    unseen = stop_proof.cannot_see(SKID)
    assert {n for n in unseen if n.startswith("welded")} == {
        "welded: K1 13-14", "welded: K1 23-24", "welded: PS 11-12", "welded: F7 95-96", "welded: S1 11-12",
        "welded: S2 13-14",
    }  # fmt: skip
    assert not any(n.startswith(("broken", "on earth")) for n in unseen)
    page = (HARDWARE.parent / "docs" / "wiring.md").read_text(encoding="utf-8")
    for name in unseen:
        assert f"| {name} |" in page, name


def test_swapped_terminals_are_found():
    document = copy.deepcopy(DOCUMENT)
    j2 = next(c for c in document["connector"] if c["id"] == "J2")["terminals"]
    j2[4]["to"], j2[6]["to"] = j2[6]["to"], j2[4]["to"]
    assert {p.rule for p in check_wiring(parse(document))} >= {"terminal-net"}
    assert stop_proof.sound(build(FILES.circuit, parse(document))) != []


@needs_ngspice
def test_ngspice_agrees_with_the_logic_and_the_stops_are_in_time():
    live, cuts = stop_simulation.run(SKID, FILES.front_end)
    assert live == [s.pump_live for s in stop_proof.run(SKID)]
    assert [c.step for c in cuts] == list(stop_simulation.STOPS)
    for c in cuts:
        print(f"figure: {c.step}: supply off {c.supply_ms:.1f} ms, current gone {c.current_ms:.1f} ms")
    assert stop_simulation.problems(cuts) == []
    # By formula L / R ln(...) with its Zener; the bulk capacitor then feeds the motor for a moment.
    formula = next(
        q.nominal
        for q in stop_chain.stop_quantities(FILES.front_end.stop_chain, FILES.front_end.pump_driver)
        if q.name == "coil current falls to drop-out"
    )
    assert formula < cuts[0].supply_ms < formula + 0.3


@needs_ngspice
def test_the_stop_inputs_diode_bears_what_the_coil_does_at_each_stop():
    """The coil pulls the chain to about -25 V; without the diode against it the input's own sees -13 V."""
    found = netlists.run(stop_simulation.netlist(SKID, FILES.front_end))
    print(f"figure: stop input's diode sees {found['led_least']:.2f} V at the least")
    assert -5 < found["led_least"] < 0.0 < found["led_most"] < 1.5
    opto = next(b for b in FILES.circuit.blocks if b.signal == "stop_chain")
    against = next(p.ref for p in opto.parts if p.kind == "diode")
    without = dataclasses.replace(SKID, circuit=FILES.circuit.without(against))
    assert netlists.run(stop_simulation.netlist(without, FILES.front_end))["led_least"] < -10


@needs_ngspice
@pytest.mark.parametrize(
    "name",
    [
        "broken: J2.2 to PS.12", "broken: J2.5 to S1.11", "broken: J2.8 to S2.14", "broken: J3.4 to M1.2",
        "welded: K1 23-24", "welded: K1 13-14",
    ],
)  # fmt: skip
def test_ngspice_says_the_same_of_broken_wires_and_welded_contacts(name):
    skid = SKID.with_faults(SINGLE_FAULTS[name])
    assert stop_simulation.broken_rules(skid, FILES.front_end) == stop_proof.broken_rules(skid)


@needs_ngspice
def test_ngspice_shows_the_pump_that_runs_without_reset_from_the_table_before():
    skid = by_net(wiring_before(), ("S1.12", "stop_chain"))
    assert "supply on: the pump has its supply" in stop_simulation.broken_rules(skid, FILES.front_end)


def test_the_command_shows_it(capsys):
    assert run_command(["wiring", "stop-chain", "--hardware", str(HARDWARE)]) == 0
    said = capsys.readouterr().out
    assert "It cannot see: joined: J2.1 to PS.11" in said and "Safe with each of" in said
