"""The front end against hand formulas and ngspice; the size of each difference is printed."""

from __future__ import annotations

import dataclasses
import math
import tomllib
from pathlib import Path

import pytest
from skidwright.errors import RigError
from skidwright.rig.front_end import analog_inputs, digital_inputs, netlists, outputs, stop_chain
from skidwright.rig.front_end import netlists as nets
from skidwright.rig.front_end.calculation import calculate
from skidwright.rig.front_end.parts import load
from skidwright.rig.wiring.chip import LATCH_CURRENT_UA
from skidwright.rig.wiring.model import load as load_wiring

HARDWARE = Path(__file__).parents[2] / "hardware"
PARTS = load(HARDWARE / "front_end.toml")
WIRING = load_wiring(HARDWARE / "wiring.toml")
QUANTITIES = {q.name: q for block in calculate(PARTS).values() for q in block}

needs_ngspice = pytest.mark.skipif(
    not netlists.available(), reason="ngspice is not installed (apt install ngspice)"
)


def agree(name, ours, theirs, within, capsys=None):
    """Print the two figures and the size of the error, and fail when it is larger than `within` (a share)."""
    error = ours / theirs - 1
    what = f"computed {ours:.5g}, reference {theirs:.5g}"
    print(f"figure: {name}: {what}, error {error:+.3%} (allowed {within:.1%})")
    assert abs(error) <= within


def test_every_quantity_keeps_its_limits():
    assert [q.shortfall() for q in QUANTITIES.values() if not q.ok] == []


def test_wiring_and_parts_say_the_same():
    by_name = {s.name: s for s in WIRING.signals}
    assert WIRING.board.shunt_ohm == PARTS.loop_input.shunt_ohm
    assert WIRING.board.thermistor_pull_ohm == PARTS.thermistor.pull_ohm
    assert by_name["pump"].frequency_hz == PARTS.pump_driver.pwm_hz
    assert by_name["pump"].pull_ohm == PARTS.pump_driver.pin_pull_ohm
    assert by_name["stop_chain"].pull_ohm == PARTS.optocoupler.pull_ohm
    assert by_name["flow_meter"].pull_ohm == PARTS.comparator.output_pull_ohm
    # The levels the wiring promises enclose the computed worst case.
    for signal, low, high in (
        ("flow_meter", "low level at the pin", "high level at the pin"),
        ("stop_chain", "low level when closed", "high level when open"),
    ):
        promised = by_name[signal]
        assert promised.low_mv[1] >= QUANTITIES[low].high
        assert promised.high_mv[0] <= QUANTITIES[high].low
        assert promised.high_mv[1] >= QUANTITIES[high].high


# ------------------------------------------------------------- hand formulas


def test_loop_voltages_by_hand():
    """U = R I: 150 ohm at 20 mA is 3.000 V; NE 43's 21.0 mA is 3.150 V, below 3.3 V less 2 %."""
    assert analog_inputs.pin_mv(20, 150, 0, 1e12) == pytest.approx(3000)
    assert analog_inputs.pin_mv(21, 150, 0, 1e12) == pytest.approx(3150)
    assert QUANTITIES["largest current the converter sees"].low > 21.2


def test_150_ohm_is_about_the_largest_shunt():
    """3.234 V / 21.0 mA = 154.0 ohm, less 0.2 % for the shunt itself; E96 has 150 and 154."""
    largest = analog_inputs.largest_shunt_ohm(PARTS.loop_input)
    agree("largest shunt", largest, 3234 / 21.0 / 1.002, 1e-6)
    assert 150 < largest < 154
    too_large = dataclasses.replace(PARTS.loop_input, shunt_ohm=160.0)
    told = [q.name for q in analog_inputs.loop_quantities(too_large) if not q.ok]
    assert "largest current the converter sees" in told
    assert "shunt" in told


def test_an_uncalibrated_loop_cannot_tell_failure_from_measurement():
    """What the limits are for: NE 43 leaves 0.2 mA between 3.6 and 3.8 mA; the parts alone are worse."""
    # shunt 0.1 %, its drift 25 ppm/K over 40 K, converter 0.2 %, load 1150 ohm on 5 Mohm; 10 uA of leakage;
    # 4 steps of 125 uV over 150 ohm
    by_hand_ua = 20_000 * (0.1 + 0.1 + 0.2 + 100 * 1150 / 5_001_150) / 100 + 10 + 4 * 125 / 150
    assert analog_inputs.i2c_error_ua(PARTS.loop_input, 20.0) == pytest.approx(by_hand_ua)
    assert analog_inputs.error_ua(PARTS.loop_input, 3.7, calibrated=False) > 100
    assert analog_inputs.error_ua(PARTS.loop_input, 3.7, calibrated=True) < 100


def test_pulse_thresholds_by_superposition():
    """Three sources on one node by Millman's theorem, written out: another way than the module's."""
    p = PARTS.comparator
    high_arm = p.feedback_ohm + p.output_pull_ohm

    def millman(*arms):
        return sum(v / r for v, r in arms) / sum(1 / r for _, r in arms)

    rising = millman((3300, p.upper_ohm), (0, p.lower_ohm), (3300, high_arm))
    falling = millman((3300, p.upper_ohm), (0, p.lower_ohm), (p.output_low_mv, p.feedback_ohm))
    agree("rising threshold", QUANTITIES["rising threshold"].nominal, rising, 1e-9)
    agree("falling threshold", QUANTITIES["falling threshold"].nominal, falling, 1e-9)


def test_a_ladder_with_a_tiny_second_stage_is_one_rc():
    """Limit case: without load the first stage alone, 1 - e^(-t / RC); at one time constant 0.63212."""
    agree("RC ladder", digital_inputs.ladder_share(1.0, 1000, 1000, 1, 1e-6), 1 - math.exp(-1), 1e-6)


def test_a_stronger_pull_up_carries_further():
    weaker = dataclasses.replace(PARTS.comparator, field_pull_ohm=4700.0)
    assert digital_inputs.longest_cable_m(weaker) < 3.0 < digital_inputs.longest_cable_m(PARTS.comparator)
    assert any(
        "longest cable" in q.shortfall() for q in digital_inputs.comparator_quantities(weaker) if not q.ok
    )


def test_contact_input_current_by_hand():
    """(24 - 5.1 - 1.2) V / 3.9 kohm - 1.2 V / 4.7 kohm = 4.283 mA."""
    agree("contact input", QUANTITIES["diode current when closed"].nominal, 17.7 / 3.9 - 1.2 / 4.7, 1e-9)


def test_a_worn_optocoupler_is_found():
    worn = dataclasses.replace(PARTS.optocoupler, ageing=0.3)
    assert "input voltage that is surely on" in [
        q.name for q in digital_inputs.optocoupler_quantities(worn) if not q.ok
    ]


def test_pump_figures_by_hand():
    """24 V / (4 * 2 mH * 20 kHz) = 0.15 A; 2 mH * (3 A)^2 / 2 = 9 mJ; 120 uA * 4.7 kohm = 0.56 V < 0.8 V."""
    agree("ripple", outputs.ripple_a(24, 0.5, 2e-3, 20e3), 0.15, 1e-9)
    agree("energy", QUANTITIES["energy in the motor's inductance"].nominal, 9.0, 1e-9)
    assert LATCH_CURRENT_UA * PARTS.pump_driver.pin_pull_ohm / 1000 < PARTS.pump_driver.driver_low_max_mv


def test_copper_resistance_against_the_cable_standard():
    """IEC 60228, 0.5 mm2: at most 36.0 ohm/km at 20 degC; the formula must lie within 5 % below."""
    agree("copper 0.5 mm2", stop_chain.cable_ohm(1000, 0.5) / 2, 36.0, 0.05)
    assert stop_chain.cable_ohm(1000, 0.5) / 2 <= 36.0


def test_a_thin_long_stop_chain_is_found():
    thin = dataclasses.replace(PARTS.stop_chain, cable_m=500.0, cable_mm2=0.14)
    told = [q.name for q in stop_chain.stop_quantities(thin, PARTS.pump_driver) if not q.ok]
    assert told == ["voltage at the coil"]


def test_thermistor_both_ways():
    p = PARTS.thermistor
    assert analog_inputs.resistance_ohm(p, 25.0) == pytest.approx(p.nominal_ohm)
    for celsius in (-20.0, 0.0, 40.0, 100.0):
        assert analog_inputs.temperature_c(p, analog_inputs.resistance_ohm(p, celsius)) == pytest.approx(
            celsius
        )


def test_thermistor_table_of_the_firmware():
    """The firmware's own table, a second source made by another hand, agrees within 0.3 K."""
    from skidboard.thermistor import Thermistor

    worst = 0.0
    sensor = Thermistor()
    for celsius in range(-25, 120, 3):
        sensor.update(round(analog_inputs.resistance_ohm(PARTS.thermistor, celsius)))
        worst = max(worst, abs(sensor.value / 100 - celsius))
    print(f"firmware's thermistor table: largest difference {worst:.2f} K")
    assert worst <= 0.5


# ------------------------------------------------------------- ngspice


@needs_ngspice
@pytest.mark.parametrize("loop_ma", [3.6, 4.0, 12.0, 20.0, 21.0])
def test_ngspice_loop_levels(loop_ma):
    p = PARTS.loop_input
    found = netlists.run(nets.loop_levels(p, loop_ma))["v(pin)"] * 1000
    agree(
        f"pin at {loop_ma} mA",
        analog_inputs.pin_mv(loop_ma, p.shunt_ohm, p.series_ohm, p.adc_input_ohm),
        found,
        1e-4,
    )


@needs_ngspice
def test_ngspice_loop_filter():
    settled = netlists.run(nets.loop_settling(PARTS.loop_input))["settled"] * 1000 - 10
    agree("settling to 0.1 %", QUANTITIES["settling to 0.1 %"].nominal, settled, 0.005)
    cut_off = netlists.run(nets.loop_cut_off(PARTS.loop_input))["cutoff"]
    agree("filter cut-off", QUANTITIES["filter cut-off"].nominal, cut_off, 0.002)


@needs_ngspice
def test_ngspice_loop_fault():
    """The suppressor's resistance is in the netlist and not in the formula, so it is a few per cent off."""
    found = netlists.run(nets.loop_fault(PARTS.loop_input))
    agree(
        "power in the shunt",
        QUANTITIES["24 V on the terminal: power in the shunt"].high,
        found["shunt_w"],
        0.05,
    )
    rail = QUANTITIES["24 V on the terminal: current into the 3.3 V rail"].high
    agree("current into the rail", rail, found["rail_ma"], 0.06)
    assert found["shunt_w"] < PARTS.loop_input.shunt_power_w
    assert found["above_mv"] < analog_inputs.PIN_ABOVE_SUPPLY_MAX_MV


@needs_ngspice
def test_ngspice_thresholds():
    found = netlists.run(nets.comparator_thresholds(PARTS.comparator))
    agree("rising threshold", QUANTITIES["rising threshold"].nominal, found["rising"] * 1000, 0.002)
    agree("falling threshold", QUANTITIES["falling threshold"].nominal, found["falling"] * 1000, 0.002)


@needs_ngspice
def test_ngspice_longest_cable():
    """At the computed length the line has just passed the threshold; at twice the length it has not."""
    p = PARTS.comparator
    longest = digital_inputs.longest_cable_m(p)
    needed = digital_inputs.threshold_corners(p)[1][2] / 1.02 * 0.98
    at_end = netlists.run(nets.comparator_cable(p, longest))["half"] * 1000
    agree("level after half a pulse at the longest cable", needed, at_end, 0.05)
    assert at_end >= needed
    assert netlists.run(nets.comparator_cable(p, 2 * longest))["half"] * 1000 < needed


@needs_ngspice
def test_ngspice_contact_input():
    p = PARTS.optocoupler
    closed = netlists.run(nets.optocoupler_levels(p, 24.0, p.transfer_min))
    agree("diode current", QUANTITIES["diode current when closed"].nominal, closed["diode_ma"], 0.04)
    assert closed["v(out)"] < 0.4
    # The two ends that the calculation promises for IEC 61131-2, type 1.
    assert netlists.run(nets.optocoupler_levels(p, 15.0, p.transfer_min * p.ageing))["v(out)"] < 0.8
    assert netlists.run(nets.optocoupler_levels(p, 5.0, p.transfer_max))["v(out)"] > 2.0


@needs_ngspice
def test_ngspice_pump_drive():
    p = PARTS.pump_driver
    found = netlists.run(nets.pump_drive(p))
    agree("ripple", outputs.ripple_a(p.supply_volts, 0.5, p.motor_mh / 1000, p.pwm_hz), found["ripple"], 0.1)
    peak = QUANTITIES["peak voltage at the transistor, diode in place"].nominal
    agree("peak at the transistor", peak, found["peak"], 0.02)
    # Without the diode the transistor sees more than it bears: the diode is no nicety.
    assert netlists.run(nets.pump_drive(p, with_diode=False))["peak"] > p.transistor_volts


def test_netlists_on_file_are_current():
    for name, text in nets.all_netlists(PARTS).items():
        assert (HARDWARE / "spice" / name).read_text() == text, f"{name}: run `skidwright wiring make`"


# ------------------------------------------------------------- the file


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("shunt_ohm = 150.0", "missing"),
        ("format = 1", "format must be 1"),
    ],
)
def test_a_file_with_a_line_gone_is_refused(tmp_path, line, words):
    text = (HARDWARE / "front_end.toml").read_text()
    assert line in text
    path = tmp_path / "front_end.toml"
    path.write_text(text.replace(line, "", 1))
    with pytest.raises(RigError, match=words):
        load(path)


def test_nonsense_is_refused_by_name(tmp_path):
    path = tmp_path / "front_end.toml"
    path.write_text(
        (HARDWARE / "front_end.toml").read_text().replace("shunt_ohm = 150.0", "shunt_ohm = -150.0")
    )
    with pytest.raises(RigError, match="'shunt_ohm' must be above 0"):
        load(path)
    path.write_text((HARDWARE / "front_end.toml").read_text() + "\n[amplifier]\ngain = 2\n")
    with pytest.raises(RigError, match="unknown block 'amplifier'"):
        load(path)
    assert tomllib.loads((HARDWARE / "front_end.toml").read_text())["format"] == 1


def test_ngspice_missing_says_what_to_do(monkeypatch):
    monkeypatch.setattr(netlists.shutil, "which", lambda name: None)
    with pytest.raises(RigError, match="apt install ngspice"):
        netlists.run("* nothing\n.end\n")
