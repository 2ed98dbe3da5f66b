"""Checks that every pin can do what is asked of it, and that nothing is asked twice.

Sources of the limits: see chip.py.
"""

from __future__ import annotations

from collections import defaultdict

from skidwright.rig.wiring.model import Problem

from .chip import (
    CHIPS,
    EDGE_PINS,
    SLICES_STOPPED_BY_SOFT_RESET,
    Chip,
    i2c_role,
    pwm_slice,
    uart_role,
)
from .model import FUNCTIONS, Signal, Wiring

# Signals without which the firmware's pin table cannot be made.
FIRMWARE_SIGNALS = {
    "count_4um": "pio_count",
    "count_6um": "pio_count",
    "count_14um": "pio_count",
    "count_21um": "pio_count",
    "metal_ferrous": "pio_count",
    "metal_nonferrous": "pio_count",
    "flow_meter": "pio_count",
    "pump": "pwm",
    "stop_chain": "input",
    "over_pressure": "input",
    "safe_mode": "input",
    "stored_lamp": "output",
    "heartbeat": "output",
    "water_loop": "adc",
    "temp_loop": "adc",
    "temp_thermistor": "adc",
    "i2c_sda": "i2c_sda",
    "i2c_scl": "i2c_scl",
    **{f"selector_{i}": "output" for i in range(1, 9)},
}

# I2C at 100 kHz (NXP UM10204, tables 9 and 10): rise at most 1000 ns from 30 to 70 %, 3 mA at 0.4 V when low.
I2C_RISE_MAX_NS = 1000.0
I2C_PULL_MIN_OHM = (3.3 * 1.02 - 0.4) / 3e-3
I2C_PIN_PF = 20.0  # the chip's pins and the board: taken


def check_pins(wiring: Wiring) -> list[Problem]:
    """All problems of pins and functions; an empty list when there are none."""
    chip = CHIPS.get(wiring.board.chip)
    if chip is None:
        return [
            Problem("chip", "board", f"chip '{wiring.board.chip}' is not known; choose {' or '.join(CHIPS)}")
        ]
    problems = [p for s in wiring.signals for p in _one_pin(s, chip)]
    problems += _used_twice(wiring)
    problems += _state_machines(wiring, chip)
    problems += _pwm(wiring)
    problems += _pairs(wiring, "i2c", ("sda", "scl"))
    problems += _pairs(wiring, "uart", ("tx", "rx"), alone="rx")
    problems += _bus_addresses(wiring)
    problems += _firmware_needs(wiring)
    return problems


def _one_pin(signal: Signal, chip: Chip) -> list[Problem]:
    def found(rule: str, text: str) -> Problem:
        return Problem(rule, signal.name, text)

    if signal.function not in FUNCTIONS:
        return [
            found("function", f"function '{signal.function}' is not known; known are {', '.join(FUNCTIONS)}")
        ]
    if signal.gpio not in EDGE_PINS:
        return [
            found("pin-exists", f"GPIO {signal.gpio} is not on the board's edge; use 0 to 22 or 26 to 28")
        ]
    problems = []
    if signal.function == "adc" and signal.gpio not in chip.adc_gpios:
        problems.append(found("adc-pin", f"GPIO {signal.gpio} has no analogue input; use GPIO 26, 27 or 28"))
    kind, _, line = signal.function.partition("_")
    if kind in ("i2c", "uart"):
        name = kind.upper()
        bus, role = i2c_role(signal.gpio) if kind == "i2c" else uart_role(signal.gpio)
        if (bus, role) != (signal.bus, line):
            problems.append(
                found(
                    f"{kind}-pin",
                    f"GPIO {signal.gpio} is {name}{bus} {role}, not {name}{signal.bus} {line}",
                )
            )
    return problems


def _used_twice(wiring: Wiring) -> list[Problem]:
    by_gpio: dict[int, list[str]] = defaultdict(list)
    by_name: dict[str, list[int]] = defaultdict(list)
    for s in wiring.signals:
        by_gpio[s.gpio].append(s.name)
        by_name[s.name].append(s.gpio)
    problems = [
        Problem("pin-twice", " and ".join(names), f"both are on GPIO {gpio}; move one of them")
        for gpio, names in by_gpio.items()
        if len(names) > 1
    ]
    problems += [
        Problem("name-twice", name, f"stands on GPIO {' and '.join(map(str, gpios))}; one name, one pin")
        for name, gpios in by_name.items()
        if len(gpios) > 1
    ]
    return problems


def _state_machines(wiring: Wiring, chip: Chip) -> list[Problem]:
    counters = [s.name for s in wiring.signals if s.function == "pio_count"]
    free = chip.state_machines - wiring.board.state_machines_reserved
    if len(counters) <= free:
        return []
    return [
        Problem(
            "pio-count",
            "board",
            f"{len(counters)} counters but {free} PIO state machines; leave out {', '.join(counters[free:])}",
        )
    ]


def _pwm(wiring: Wiring) -> list[Problem]:
    problems = []
    drives = [s for s in wiring.signals if s.function == "pwm"]
    for i, one in enumerate(drives):
        if one.frequency_hz <= 0:
            problems.append(Problem("pwm-frequency", one.name, "needs frequency_hz above 0"))
        for other in drives[i + 1 :]:
            (slice_one, channel_one), (slice_other, channel_other) = (
                pwm_slice(one.gpio),
                pwm_slice(other.gpio),
            )
            if slice_one != slice_other or one.gpio == other.gpio:
                continue
            where = f"{one.name} and {other.name}"
            if channel_one == channel_other:
                text = (
                    f"GPIO {one.gpio} and {other.gpio} are the same output, slice {slice_one} {channel_one}"
                )
                problems.append(Problem("pwm-shared", where, text + "; both would carry the same duty"))
            elif one.frequency_hz != other.frequency_hz:
                text = (
                    f"share PWM slice {slice_one}, which has one frequency; use another slice for one of them"
                )
                problems.append(Problem("pwm-shared", where, text))
    for s in drives:
        if pwm_slice(s.gpio)[0] not in SLICES_STOPPED_BY_SOFT_RESET:
            text = f"GPIO {s.gpio} is on PWM slice {pwm_slice(s.gpio)[0]}, which a soft reset leaves running"
            problems.append(Problem("pwm-soft-reset", s.name, text + "; use GPIO 0 to 7 or 16 to 22"))
    return problems


def _pairs(wiring: Wiring, kind: str, lines: tuple[str, str], alone: str = "") -> list[Problem]:
    """A bus has each of its lines once; the line `alone` may be its only one."""
    problems = []
    on_bus: dict[int, list[str]] = defaultdict(list)
    for s in wiring.signals:
        if s.function.startswith(kind + "_"):
            on_bus[s.bus].append(s.function.partition("_")[2])
    for bus, found in on_bus.items():
        for line in lines:
            if found != [alone] and found.count(line) != 1:
                times = "has no" if line not in found else "has more than one"
                problems.append(Problem(f"{kind}-pair", f"{kind.upper()}{bus}", f"{times} {line} line"))
    return problems


def _bus_addresses(wiring: Wiring) -> list[Problem]:
    problems = []
    buses = {s.bus for s in wiring.signals if s.function == "i2c_sda"}
    taken: dict[tuple[int, int], str] = {}
    for device in wiring.i2c_devices:
        place = (device.bus, device.address)
        if not 0x08 <= device.address <= 0x77:
            text = f"address 0x{device.address:02X} is reserved; 0x08 to 0x77 are for devices"
            problems.append(Problem("i2c-address", device.name, text))
        if device.bus not in buses:
            problems.append(Problem("i2c-address", device.name, f"is on I2C{device.bus}, which has no pins"))
        if place in taken:
            text = f"has address 0x{device.address:02X}, and so has {taken[place]}"
            problems.append(Problem("i2c-address", device.name, text + "; strap one of them to another"))
        taken[place] = device.name
    return problems + [p for bus in sorted(buses) for p in _bus_load(wiring, bus)]


def _bus_load(wiring: Wiring, bus: int) -> list[Problem]:
    """Pull-ups of all modules and the board's side by side, against NXP UM10204, section 7.1, at 100 kHz."""
    devices = [d for d in wiring.i2c_devices if d.bus == bus]
    own = [s.pull_ohm for s in wiring.signals if s.function == "i2c_sda" and s.bus == bus and s.pull_ohm]
    pulls = own + [d.pull_ohm for d in devices if d.pull_ohm]
    if not pulls:
        return []
    ohm = 1 / sum(1 / p for p in pulls)
    pf = I2C_PIN_PF + sum(d.pf for d in devices)
    rise_ns = 0.8473 * ohm * pf * 1e-3
    problems = []
    if ohm < I2C_PULL_MIN_OHM:
        text = f"its pull-ups are {ohm:.0f} ohm together, at least {I2C_PULL_MIN_OHM:.0f} are needed"
        problems.append(Problem("i2c-load", f"I2C{bus}", text + "; take some off the modules"))
    if rise_ns > I2C_RISE_MAX_NS:
        text = f"rises in {rise_ns:.0f} ns with {pf:.0f} pF, at most {I2C_RISE_MAX_NS:.0f} are allowed"
        problems.append(Problem("i2c-load", f"I2C{bus}", text + "; shorten it or take a smaller pull-up"))
    return problems


def _firmware_needs(wiring: Wiring) -> list[Problem]:
    have = {s.name: s.function for s in wiring.signals}
    problems = []
    for name, function in FIRMWARE_SIGNALS.items():
        if name not in have:
            problems.append(Problem("firmware-needs", name, f"the firmware needs this signal, a {function}"))
        elif have[name] != function:
            text = f"the firmware needs it as {function}, not {have[name]}"
            problems.append(Problem("firmware-needs", name, text))
    return problems
