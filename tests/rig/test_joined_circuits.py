"""Blocks joined as in the box, in ngspice: pump with its leads, supply entry, heartbeat, 24 V on every
terminal.
"""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from skidwright.rig.circuit import field_faults, simulations
from skidwright.rig.circuit.checks import check_circuit, load
from skidwright.rig.circuit.simulations import HEARTS
from skidwright.rig.front_end import netlists
from skidwright.rig.front_end.calculation import calculate
from skidwright.rig.wiring.chip import OUTPUT_HIGH_MIN_MV

HARDWARE = Path(__file__).parents[2] / "hardware"
FILES = load(HARDWARE)
CIRCUIT, PARTS = FILES.circuit, FILES.front_end
PLAIN = FILES.wiring.with_options(frozenset())
QUANTITIES = {q.name: q for block in calculate(PARTS).values() for q in block}

needs_ngspice = pytest.mark.skipif(
    not netlists.available(), reason="ngspice is not installed (apt install ngspice)"
)


def figure(name, value, unit):
    print(f"figure: {name}: {value:.4g} {unit}")


# ------------------------------------------------------------- the circuit by rule


def test_the_circuit_has_no_problem_with_any_options():
    assert FILES.problems() == []
    assert len(FILES.circuits) == len(FILES.wiring.combinations()) == 12


def without(*refs):
    return CIRCUIT.without(*refs)


@pytest.mark.parametrize(
    ("refs", "where"),
    [
        (("F3",), "J5.1"),  # nothing feeds the sensors
        (("Q32",), "fault_sink"),  # the lamp's terminal still has its fuse and resistor, which end in the air
        (("F2401",), "J8.2"),
    ],
)
def test_a_part_left_out_leaves_a_loose_end(refs, where):
    found = check_circuit(without(*refs), PLAIN)
    assert where in {p.where for p in found if p.rule in ("net-loose", "terminal-empty")}, found


def test_the_lamps_and_the_board_have_fuses_of_their_own():
    """A chafed sensor cable takes its own fuse and leaves lamps, board and stop chain their supply."""
    fuses = {p.pins["2"]: p.ref for p in CIRCUIT.parts if p.kind == "fuse"}
    rails = ("v24_sensor", "v24_valve", "v24_lamp", "v24_logic", "stop_supply", "pump_fused")
    assert len({fuses[r] for r in rails}) == len(rails)
    out = {t.carries for c in FILES.wiring.connectors for t in c.terminals}
    assert "v24_logic" not in out and "v24" not in out
    lamp_terminals = {c.id for c in FILES.wiring.connectors for t in c.terminals if t.carries == "v24_lamp"}
    assert lamp_terminals == {"J9"}


# ------------------------------------------------------------- pump drive


@needs_ngspice
def test_the_pump_drive_with_its_leads_never_avalanches():
    found = netlists.run(simulations.pump_edges(CIRCUIT, PARTS))
    figure("peak at the transistor, leads in place", found["peak"], "V")
    figure("alternating current in the bulk capacitor", found["bulk_a"], "A RMS")
    assert found["peak"] < 0.8 * PARTS.pump_driver.transistor_volts
    assert found["avalanche_mj"] == 0
    assert found["bulk_a"] < PARTS.pump_driver.bulk_ripple_a
    formula = QUANTITIES["alternating current in the bulk capacitor at half duty"].nominal
    assert found["bulk_a"] == pytest.approx(formula, rel=0.15)
    assert found["supply_most"] < 1.1 * 25.2


@needs_ngspice
def test_a_diode_at_the_motor_and_no_capacitor_would_avalanche_at_each_edge():
    found = netlists.run(simulations.pump_edges(CIRCUIT, PARTS, as_drawn=False))
    figure("peak with the diode at the motor", found["peak"], "V")
    assert found["peak"] > PARTS.pump_driver.transistor_volts
    # both leads' energy, L I^2 / 2 with 3 uH and 3 A is 14 uJ; the supply adds to it while it lasts
    assert 0.005 < found["avalanche_mj"] < PARTS.pump_driver.avalanche_mj


@needs_ngspice
def test_inrush_through_k1_is_within_its_contact():
    found = netlists.run(simulations.pump_inrush(CIRCUIT, PARTS))
    figure("inrush through K1", found["inrush_a"], "A")
    formula = QUANTITIES["inrush into the pump's bulk capacitor"].high
    assert found["inrush_a"] == pytest.approx(formula, rel=0.12)
    assert found["inrush_a"] < PARTS.stop_chain.contact_peak_a
    assert found["above"] < 5e-3


@needs_ngspice
def test_joined_motor_leads_destroy_nothing():
    found = netlists.run(simulations.motor_short(CIRCUIT, PARTS))
    figure("peak current into joined motor leads", found["short_a"], "A")
    assert found["short_a"] < PARTS.pump_driver.pulse_a
    assert found["peak"] < 0.8 * PARTS.pump_driver.transistor_volts
    # then the supply's limit flows, which the fuse may not blow: the overload relay has to
    limit = PARTS.supply.rated_a * PARTS.supply.limit_max_percent / 100
    assert found["settled_a"] == pytest.approx(limit, rel=0.02)


def test_a_stalled_motor_is_stopped_by_the_overload_relay_and_not_by_the_fuse():
    """What the page said before, that the fuse blows, is wrong: the supply cannot give that current."""
    assert QUANTITIES["stall current over the overload relay's setting"].low >= 1.5
    assert QUANTITIES["stall current over fuse F1"].low < 2.1
    larger = dataclasses.replace(PARTS.supply, limit_min_percent=80.0)
    told = [
        q.name
        for q in calculate(dataclasses.replace(PARTS, supply=larger))["supply, fuses, wires"]
        if not q.ok
    ]
    assert "stall current over the overload relay's setting" in told


# ------------------------------------------------------------- supply entry


@needs_ngspice
@pytest.mark.parametrize("sign", [1, -1])
def test_a_surge_at_the_supply_entry(sign):
    """0.5 kV through 2 ohm, 1.2/50 us: IEC 61000-6-2 and IEC 61000-4-5, from memory."""
    found = netlists.run(simulations.supply_surge(CIRCUIT, PARTS, sign))
    figure(f"surge {'+' if sign > 0 else '-'}0.5 kV: highest behind the entry", found["highest"], "V")
    assert found["highest"] < PARTS.supply.entry_bears_v
    assert found["lowest"] > -1.0
    assert max(found["most_a"], -found["least_a"]) < PARTS.supply.suppressor_peak_a
    if sign > 0:
        assert found["most_a"] > 50
        bare = netlists.run(simulations.supply_surge(CIRCUIT.without("C10"), PARTS, sign))
        assert bare["highest"] < PARTS.supply.entry_bears_v


@needs_ngspice
def test_a_reversed_supply_reaches_nothing():
    found = netlists.run(simulations.supply_reversed(CIRCUIT, PARTS))
    assert abs(found["v(v24)"]) < 0.1 and abs(found["reversed_ma"]) < 10


# ------------------------------------------------------------- heartbeat


@needs_ngspice
@pytest.mark.parametrize("high_v", [OUTPUT_HIGH_MIN_MV / 1000, 3.4])
@pytest.mark.parametrize("heart", HEARTS)
def test_only_a_beating_pin_lights_the_running_lamp(heart, high_v):
    """Lamp voltages against 0 V: near 0 it shines, at 24 V it is dark. "fault" is the other way round."""
    found = netlists.run(simulations.heartbeat(CIRCUIT, PARTS, heart, high_v, PARTS.heartbeat.tick_ms))
    early = heart in ("beats", "stops high", "stops low")
    assert (found["running_early"] < 2) == early and (found["fault_early"] < 2) == (not early)
    late = heart == "beats"
    assert (found["running_late"] < 2) == late and (found["fault_late"] < 2) == (not late)
    if early:
        figure(f"gate of the running lamp at {high_v:g} V", found["beating_least"], "V")
        assert found["running_most"] < 2  # no flicker
        assert found["beating_least"] > PARTS.heartbeat.lamp_threshold_max_v
    if early and not late:
        figure(f"lamp dark after it {heart}", found["dark"] - 4, "s")


@needs_ngspice
def test_ticks_held_up_do_not_darken_the_running_lamp_and_a_sensitive_transistor_is_dark_in_time():
    # A pin that carries microamperes is near its rail, 3.234 V at the least.
    slow = netlists.run(simulations.heartbeat(CIRCUIT, PARTS, "beats", 3.1, PARTS.heartbeat.longest_gap_ms))
    assert slow["running_most"] < 2
    sensitive = dataclasses.replace(
        PARTS.heartbeat, lamp_threshold_max_v=PARTS.heartbeat.lamp_threshold_min_v
    )
    found = netlists.run(
        simulations.heartbeat(
            CIRCUIT,
            dataclasses.replace(PARTS, heartbeat=sensitive),
            "stops high",
            3.4,
            PARTS.heartbeat.tick_ms,
        )
    )
    figure("latest darkness after the last beat", found["dark"] - 4, "s")
    assert found["dark"] - 4 < PARTS.heartbeat.dark_limit_ms / 1000


# ------------------------------------------------------------- 24 V on the terminals


@needs_ngspice
def test_24_v_on_any_field_terminal_destroys_nothing():
    tried = field_faults.tried_terminals(PLAIN)
    found = field_faults.stresses(CIRCUIT, PLAIN, PARTS)
    worst = max(found, key=lambda s: s.share)
    where = f"{worst.part} ({worst.terminal})"
    print(f"figure: highest stress of {len(found)}: {worst.share:.2f} of what {where} bears")
    assert [s for s in found if s.share > 1] == []
    # Between devices alone, nothing of the box is behind them.
    assert set(tried.values()) - {s.terminal for s in found} == {"J2.1", "J2.5", "J3.3"}
    assert len({s.terminal for s in found}) == 25


@needs_ngspice
@pytest.mark.parametrize(("counter", "terminal"), [("serial_counter", "J14.3"), ("loop_counter", "J15.1")])
def test_24_v_on_the_terminals_of_the_options_destroys_nothing(counter, terminal):
    options = {"rs485", "tachometer_beside_rs485", counter}
    which = [set(one) for one in FILES.wiring.combinations()].index(options)
    wiring = FILES.wiring.with_options(FILES.wiring.combinations()[which])
    only = dataclasses.replace(wiring, connectors=tuple(c for c in wiring.connectors if c.options))
    found = field_faults.stresses(FILES.circuits[which], only, PARTS)
    assert {s.terminal for s in found} == {"J12.1", "J12.5", "J12.6", "J13.3", terminal}
    assert [s for s in found if s.share > 1] == []


@needs_ngspice
@pytest.mark.parametrize(
    ("net", "ref", "value"),
    [("temp_thermistor", "R2601", 1.0), ("flow_meter", "R902", 100.0), ("water_loop", "R2403", 10.0)],
)
def test_a_terminal_without_its_series_resistor_is_found(net, ref, value):
    """The stress check sees what would break: the resistor that limits the current made small."""
    blocks = tuple(
        dataclasses.replace(
            b,
            parts=tuple(dataclasses.replace(p, value=value) if p.ref == ref else p for p in b.parts),
        )
        for b in CIRCUIT.blocks
    )
    terminals = tuple(
        dataclasses.replace(c, terminals=tuple(t for t in c.terminals if t.carries == net))
        for c in PLAIN.connectors
    )
    wiring = dataclasses.replace(PLAIN, connectors=terminals)
    found = field_faults.stresses(dataclasses.replace(CIRCUIT, blocks=blocks), wiring, PARTS)
    assert any(s.share > 1 for s in found)
