"""Planted wiring faults are each found by the rule meant for them; the wiring that ships has none."""

from __future__ import annotations

import copy
import tomllib
from pathlib import Path

import pytest
from skidwright.errors import RigError
from skidwright.rig.front_end.stop_chain import OTHER_LOADS_A
from skidwright.rig.wiring import chip
from skidwright.rig.wiring.checks import check_wiring
from skidwright.rig.wiring.model import load, parse
from skidwright.rig.wiring.supplies import budget

ROOT = Path(__file__).parents[2]
SHIPPED = ROOT / "hardware" / "wiring.toml"
DOCUMENT = tomllib.loads(SHIPPED.read_text())


def signal(document, name):
    return next(s for s in document["signal"] if s["name"] == name)


def supply(document, name):
    return next(s for s in document["supply"] if s["name"] == name)


def terminal(document, where):
    connector, number = where.split(".")
    found = next(c for c in document["connector"] if c["id"] == connector)
    return next(t for t in found["terminals"] if t["number"] == int(number))


def drop(document, key, name):
    document[key] = [row for row in document[key] if row["name"] != name]


# Each: rule that must speak, where it must point, what was planted.
PLANTED = {
    "two signals on one pin": (
        "pin-twice",
        "count_4um and count_6um",
        lambda d: signal(d, "count_6um").update(gpio=2),
    ),
    "a pin the board does not bring out": (
        "pin-exists",
        "flow_meter",
        lambda d: signal(d, "flow_meter").update(gpio=24),
    ),
    "a pin that is not there": (
        "pin-exists",
        "flow_meter",
        lambda d: signal(d, "flow_meter").update(gpio=31),
    ),
    "a loop on a pin without analogue input": (
        "adc-pin",
        "water_loop",
        lambda d: signal(d, "water_loop").update(gpio=22),
    ),
    "pump on a slice that outlives a soft reset": (
        "pwm-soft-reset",
        "pump",
        lambda d: (signal(d, "pump").update(gpio=12), signal(d, "selector_1").update(gpio=16)),
    ),
    "two frequencies on one PWM slice": (
        "pwm-shared",
        "count_21um and pump",
        lambda d: signal(d, "count_21um").update(function="pwm", frequency_hz=2),
    ),
    "two pins that are the same PWM output": (
        "pwm-shared",
        "i2c_sda and pump",
        lambda d: signal(d, "i2c_sda").update(
            function="pwm",
            frequency_hz=20000,
            safe="low",
            pull_to="gnd",
            needs_low_mv=800,
            needs_high_mv=2000,
        ),
    ),
    "I2C data and clock exchanged": (
        "i2c-pin",
        "i2c_sda",
        lambda d: (signal(d, "i2c_sda").update(gpio=1), signal(d, "i2c_scl").update(gpio=0)),
    ),
    "I2C lines of two controllers": ("i2c-pin", "i2c_scl", lambda d: signal(d, "i2c_scl").update(gpio=3)),
    "an I2C bus without a clock": ("i2c-pair", "I2C0", lambda d: drop(d, "signal", "i2c_scl")),
    "I2C without its resistor": ("i2c-pull", "i2c_sda", lambda d: signal(d, "i2c_sda").update(pull_ohm=0)),
    "two devices at one address": (
        "i2c-address",
        "clock chip",
        lambda d: d["i2c_device"][1].update(address=0x48),
    ),
    "UART lines exchanged": (
        "uart-pin",
        "heartbeat",
        lambda d: signal(d, "heartbeat").update(function="uart_tx"),
    ),
    "more counters than state machines": (
        "pio-count",
        "board",
        lambda d: (
            d["board"].update(state_machines_reserved=1),
            signal(d, "selector_1").update(function="pio_count", low_mv=[0, 0], high_mv=[3300, 3300]),
        ),
    ),
    "24 V on a pin": (
        "level",
        "flow_meter",
        lambda d: signal(d, "flow_meter").update(high_mv=[22800, 25200]),
    ),
    "5 V on a pin": ("level", "count_4um", lambda d: signal(d, "count_4um").update(high_mv=[4500, 5250])),
    "a low that is not read as low": (
        "level",
        "over_pressure",
        lambda d: signal(d, "over_pressure").update(low_mv=[0, 1200]),
    ),
    "a high that is not read as high": (
        "level",
        "count_14um",
        lambda d: signal(d, "count_14um").update(high_mv=[1800, 3300]),
    ),
    "a shunt too large for the converter": (
        "level",
        "water_loop",
        lambda d: signal(d, "water_loop").update(range_mv=[0, 5250]),
    ),
    "a driver that wants 5 V logic": (
        "level",
        "pump",
        lambda d: signal(d, "pump").update(needs_high_mv=3500),
    ),
    "an internal pull on an analogue input": (
        "adc-pull",
        "temp_loop",
        lambda d: signal(d, "temp_loop").update(pull="down"),
    ),
    "pump without its resistor to 0 V": (
        "reset-state",
        "pump",
        lambda d: signal(d, "pump").update(pull_ohm=0),
    ),
    "pump held on at reset": ("reset-state", "pump", lambda d: signal(d, "pump").update(pull_to="v3v3")),
    "pump resistor too large": (
        "reset-state",
        "pump",
        lambda d: signal(d, "pump").update(pull_ohm=1_000_000),
    ),
    "a valve that says nothing of its safe side": (
        "reset-state",
        "selector_3",
        lambda d: signal(d, "selector_3").pop("safe"),
    ),
    "a lamp straight on the pin": (
        "pin-current",
        "stored_lamp",
        lambda d: signal(d, "stored_lamp").update(load_ma=20),
    ),
    "too much current for the chip": (
        "pin-current",
        "board",
        lambda d: [signal(d, f"selector_{i}").update(load_ma=7) for i in range(1, 9)],
    ),
    "a stop chain that a broken wire does not stop": (
        "fail-safe",
        "stop_chain",
        lambda d: signal(d, "stop_chain").update(active="low"),
    ),
    "a stop chain without its resistor": (
        "fail-safe",
        "stop_chain",
        lambda d: signal(d, "stop_chain").update(pull_to="gnd"),
    ),
    "an input nothing holds": (
        "floating",
        "safe_mode",
        lambda d: signal(d, "safe_mode").update(pull="none", pull_ohm=0),
    ),
    "internal pull-down alone on an RP2350": (
        "latch",
        "safe_mode",
        lambda d: (d["board"].update(chip="RP2350"), signal(d, "safe_mode").update(pull="down", pull_ohm=0)),
    ),
    "a pull-down too large on an RP2350": (
        "latch",
        "pump",
        lambda d: (d["board"].update(chip="RP2350"), signal(d, "pump").update(pull_ohm=10000)),
    ),
    "a supply overloaded": ("supply-overload", "v24", lambda d: supply(d, "v24").update(limit_ma=4200)),
    "a rail overloaded through its converter": (
        "supply-overload",
        "v5",
        lambda d: supply(d, "v5").update(limit_ma=150),
    ),
    "a load on a rail that is not there": (
        "supply",
        "lamp",
        lambda d: next(row for row in d["load"] if row["name"] == "lamp").update(supply="v12"),
    ),
    "rails that feed each other": ("supply", "supplies", lambda d: supply(d, "v24_in").update(fed_by="v3v3")),
    "mains on the drawing": ("extra-low-voltage", "v24", lambda d: supply(d, "v24").update(volts=230)),
    "a signal the firmware needs is gone": ("firmware-needs", "pump", lambda d: drop(d, "signal", "pump")),
    "a signal on no terminal": (
        "terminal-missing",
        "flow_meter",
        lambda d: terminal(d, "J7.3").update(carries="zero_volts", wire="zero_volts"),
    ),
    "a terminal with an unknown conductor": (
        "terminal-unknown",
        "J5.3",
        lambda d: terminal(d, "J5.3").update(carries="count_5um"),
    ),
    "a terminal number used twice": (
        "terminal-twice",
        "J8.1",
        lambda d: terminal(d, "J8.2").update(number=1),
    ),
    "a signal on an earth-coloured wire": (
        "wire-earth",
        "J5.3",
        lambda d: terminal(d, "J5.3").update(wire="protective_earth"),
    ),
    "protective earth on a black wire": (
        "wire-earth",
        "J1.3",
        lambda d: terminal(d, "J1.3").update(wire="zero_volts"),
    ),
    "24 V on a signal wire": ("wire", "J8.1", lambda d: terminal(d, "J8.1").update(wire="loop")),
    "a fault that only an option brings": (
        "pin-twice",
        "stored_lamp and pump_tachometer (option tachometer)",
        lambda d: d["option"][0]["signal"][0].update(gpio=22),
    ),
    "two options on one pin": (
        "pin-twice",
        "pump_tachometer and rs485_rx (option rs485 and tachometer)",
        lambda d: (d["option"][0].update(without=[]), d["option"][1].update(without=[])),
    ),
    "an option that can never be taken": (
        "option",
        "tachometer_beside_rs485",
        lambda d: d["option"][2].update(without=["rs485"]),
    ),
    "a serial line on the wrong pin": (
        "uart-pin",
        "rs485_tx (option rs485)",
        lambda d: d["option"][1]["signal"][0].update(gpio=18),
    ),
    "a display on too long a cable": (
        "i2c-load",
        "I2C0",
        lambda d: d["i2c_device"][3].update(pf=800.0),
    ),
    "two modules that both bring strong pull-ups": (
        "i2c-load",
        "I2C0",
        lambda d: [x.update(pull_ohm=2200.0) for x in d["i2c_device"]],
    ),
    "a device pin without a terminal": (
        "net-without-terminal",
        "S1.12",
        lambda d: terminal(d, "J2.6").update(to=["S2.13"]),
    ),
    "a terminal that leads to the wrong net": (
        "terminal-net",
        "J5.4",
        lambda d: (terminal(d, "J5.4").update(to=["B1.ch14"]), terminal(d, "J5.5").update(to=["B1.ch6"])),
    ),
    "a terminal that leads nowhere": (
        "terminal-unused",
        "J5.4",
        lambda d: terminal(d, "J5.4").update(to=[]),
    ),
    "three wires at a terminal": (
        "terminal-crowded",
        "J10.1",
        lambda d: terminal(d, "J10.1").update(to=["A4.V", "A5.V", "A6.V"]),
    ),
    "a cable with too few cores": (
        "cable",
        "B1",
        lambda d: next(c for c in d["cable"] if c["name"] == "signal").update(cores=4),
    ),
    "a screened cable whose screen ends nowhere": (
        "screen",
        "B3",
        lambda d: (
            next(x for x in d["device"] if x["id"] == "B3")["pins"].pop("screen"),
            terminal(d, "J7.4").update(to=[]),
        ),
    ),
    "an option for a signal that is not there": (
        "option",
        "tachometer",
        lambda d: d["option"][0].update(replaces=["selector_9"]),
    ),
}


def test_the_shipped_wiring_has_no_problem():
    assert check_wiring(load(SHIPPED)) == []
    assert len(load(SHIPPED).combinations()) == 12


def test_the_shipped_wiring_suits_an_rp2350_too():
    document = copy.deepcopy(DOCUMENT)
    document["board"]["chip"] = "RP2350"
    assert check_wiring(parse(document)) == []


@pytest.mark.parametrize("fault", PLANTED)
def test_a_planted_fault_is_found(fault):
    rule, where, plant = PLANTED[fault]
    document = copy.deepcopy(DOCUMENT)
    plant(document)
    found = check_wiring(parse(document))
    assert (rule, where) in {(p.rule, p.where) for p in found}, [str(p) for p in found]
    assert all("\n" not in str(p) for p in found)


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda d: d.update(format=2), "format must be 1"),
        (lambda d: d.update(pins=[]), "unknown table 'pins'"),
        (lambda d: signal(d, "pump").update(gpoi=3), "signal pump: unknown key 'gpoi'"),
        (lambda d: signal(d, "pump").pop("gpio"), "signal pump: missing"),
        (lambda d: signal(d, "pump").update(gpio="16"), "signal pump: 'gpio' does not take text"),
        (lambda d: signal(d, "water_loop").update(range_mv=[0]), "'range_mv' does not take a list"),
        (lambda d: d["option"][0].pop("signal"), "option tachometer: missing"),
    ],
)
def test_a_file_that_makes_no_sense_is_refused_by_name(edit, words):
    document = copy.deepcopy(DOCUMENT)
    edit(document)
    with pytest.raises(RigError, match="^" + words.replace("[", r"\[") if words[0] != "'" else words):
        parse(document)


def test_a_file_that_is_not_there_or_not_toml(tmp_path):
    with pytest.raises(RigError, match="cannot be read"):
        load(tmp_path / "missing.toml")
    bad = tmp_path / "bad.toml"
    bad.write_text("[board")
    with pytest.raises(RigError, match="not valid TOML"):
        load(bad)


# RP2040 datasheet, section 1.4.3, "GPIO functions", columns F1 to F4; RP2350 has the same in F1 to F4.
FUNCTION_TABLE = """
0  spi0 rx  uart0 tx  i2c0 sda pwm0A
1  spi0 cs  uart0 rx  i2c0 scl pwm0B
2  spi0 sck uart0 cts i2c1 sda pwm1A
3  spi0 tx  uart0 rts i2c1 scl pwm1B
4  spi0 rx  uart1 tx  i2c0 sda pwm2A
5  spi0 cs  uart1 rx  i2c0 scl pwm2B
6  spi0 sck uart1 cts i2c1 sda pwm3A
7  spi0 tx  uart1 rts i2c1 scl pwm3B
8  spi1 rx  uart1 tx  i2c0 sda pwm4A
9  spi1 cs  uart1 rx  i2c0 scl pwm4B
10 spi1 sck uart1 cts i2c1 sda pwm5A
11 spi1 tx  uart1 rts i2c1 scl pwm5B
12 spi1 rx  uart0 tx  i2c0 sda pwm6A
13 spi1 cs  uart0 rx  i2c0 scl pwm6B
14 spi1 sck uart0 cts i2c1 sda pwm7A
15 spi1 tx  uart0 rts i2c1 scl pwm7B
16 spi0 rx  uart0 tx  i2c0 sda pwm0A
17 spi0 cs  uart0 rx  i2c0 scl pwm0B
18 spi0 sck uart0 cts i2c1 sda pwm1A
19 spi0 tx  uart0 rts i2c1 scl pwm1B
20 spi0 rx  uart1 tx  i2c0 sda pwm2A
21 spi0 cs  uart1 rx  i2c0 scl pwm2B
22 spi0 sck uart1 cts i2c1 sda pwm3A
23 spi0 tx  uart1 rts i2c1 scl pwm3B
24 spi1 rx  uart1 tx  i2c0 sda pwm4A
25 spi1 cs  uart1 rx  i2c0 scl pwm4B
26 spi1 sck uart1 cts i2c1 sda pwm5A
27 spi1 tx  uart1 rts i2c1 scl pwm5B
28 spi1 rx  uart0 tx  i2c0 sda pwm6A
29 spi1 cs  uart0 rx  i2c0 scl pwm6B
"""


def test_pin_functions_are_those_of_the_datasheet():
    rows = [line.split() for line in FUNCTION_TABLE.strip().splitlines()]
    assert len(rows) == 30
    for gpio, spi, spi_line, uart, uart_line, i2c, i2c_line, pwm in rows:
        n = int(gpio)
        assert chip.spi_role(n) == (int(spi[3]), spi_line)
        assert chip.uart_role(n) == (int(uart[4]), uart_line)
        assert chip.i2c_role(n) == (int(i2c[3]), i2c_line)
        assert chip.pwm_slice(n) == (int(pwm[3]), pwm[4])


def test_the_board_edge_has_forty_pins_each_once():
    pins = list(chip.EDGE_PINS.values()) + list(chip.POWER_PINS)
    assert sorted(pins) == list(range(1, 41))


def test_supply_currents_add_up_by_hand():
    """By hand, 24 V at 22.8 V: 3.3 V 160 mA; 5 V 55 + 160*3.3/(4.85*0.80); 24 V to it that*5/(22.8*.85)."""
    rails = {r.supply.name: r.total_ma for r in budget(load(SHIPPED).with_options(frozenset()))}
    five = 55 + 160 * 3.3 / (5 * 0.97 * 0.80)
    logic = five * 5 / (24 * 0.95 * 0.85)
    assert rails["v3v3"] == pytest.approx(160)
    assert rails["v5"] == pytest.approx(five)
    assert rails["v24_sensor"] == pytest.approx(250 + 25 + 25 + 150 + 30)
    assert rails["v24_valve"] == pytest.approx(700 + 80)
    assert rails["v24_lamp"] == pytest.approx(60)
    others = 80 + 12 + 480 + 780 + 60 + logic
    assert rails["v24"] == pytest.approx(3000 + others)
    # what the fuse calculation takes for everything but the pump
    assert others / 1000 <= OTHER_LOADS_A <= 1.2 * others / 1000
