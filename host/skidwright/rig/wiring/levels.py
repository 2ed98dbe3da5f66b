"""Checks of levels, resistors and states at reset: can the pin read it, is it safe when dead?

Sources of the limits: see chip.py.
"""

from __future__ import annotations

from collections import defaultdict

from skidwright.rig.wiring import chip
from skidwright.rig.wiring.model import DEVICE_KINDS, OUTPUTS, PLACES, Cable, Device, Problem, Signal, Wiring

# Two wires share a ferrule at the most (common practice, no source).
WIRES_AT_A_TERMINAL = 2


def check_field(wiring: Wiring) -> list[Problem]:
    """All problems between devices and terminals; an empty list when there are none."""
    problems = []
    nets = {f"{d.id}.{pin}": net for d in wiring.devices for pin, net in d.pins.items()}
    # A supply's terminal may be left without a wire when an option takes the device off it.
    spare = {s.name for s in wiring.supplies}
    cables = {c.name: c for c in wiring.cables}
    led_to: dict[str, list[str]] = defaultdict(list)
    for device in wiring.devices:
        if device.kind not in DEVICE_KINDS:
            text = f"kind '{device.kind}' is not known; known are {', '.join(DEVICE_KINDS)}"
            problems.append(Problem("device-kind", device.id, text))
        if device.cable and device.cable not in cables:
            problems.append(Problem("cable", device.id, f"cable '{device.cable}' is not in [[cable]]"))
        elif device.cable:
            problems += _cable(device, cables[device.cable])
    for c in wiring.connectors:
        for t in c.terminals:
            where = f"{c.id}.{t.number}"
            if len(t.to) > WIRES_AT_A_TERMINAL:
                text = f"takes {len(t.to)} wires; {WIRES_AT_A_TERMINAL} at the most"
                problems.append(Problem("terminal-crowded", where, text))
            if c.place not in PLACES:
                problems.append(Problem("device-kind", c.id, f"place '{c.place}' is not known"))
            if not t.to and t.carries not in spare:
                problems.append(
                    Problem("terminal-unused", where, "leads nowhere; say where to, or take it out")
                )
            for pin in t.to:
                led_to[pin].append(where)
                if pin not in nets:
                    problems.append(Problem("terminal-device", where, f"leads to {pin}, which no device has"))
                elif nets[pin] != t.carries:
                    text = f"carries '{t.carries}', but leads to {pin}, which is on '{nets[pin]}'"
                    problems.append(Problem("terminal-net", where, text))
    terminals: dict[str, list[str]] = defaultdict(list)
    for c in wiring.connectors:
        for t in c.terminals:
            terminals[t.carries].append(f"{c.id}.{t.number}")
    for pin, net in nets.items():
        if not led_to[pin]:
            have = f"a wire from {' or '.join(terminals[net])}" if terminals[net] else "a terminal of its own"
            text = f"is on '{net}', which leaves the box, and no terminal leads to it; give it {have}"
            problems.append(Problem("net-without-terminal", pin, text))
        elif len(led_to[pin]) > 1:
            problems.append(Problem("terminal-net", pin, f"is led to from {' and '.join(led_to[pin])}"))
    return problems


def _cable(device: Device, cable: Cable) -> list[Problem]:
    """A core for each pin, and a screen where the cable has one."""
    cores = [pin for pin, net in device.pins.items() if net != "screen"]
    problems = []
    if len(cores) > cable.cores:
        text = f"needs {len(cores)} cores, cable '{cable.name}' has {cable.cores}"
        problems.append(Problem("cable", device.id, text))
    if cable.screened != ("screen" in device.pins.values()):
        text = "needs a terminal for its screen" if cable.screened else "has no screen to connect"
        problems.append(Problem("screen", device.id, f"cable '{cable.name}' {text}"))
    return problems


def check_levels(wiring: Wiring) -> list[Problem]:
    """All problems of levels and of states while no program runs; an empty list when there are none."""
    problems: list[Problem] = []
    latching = chip.CHIPS[wiring.board.chip].inputs_latch if wiring.board.chip in chip.CHIPS else False
    for s in wiring.signals:
        if s.function == "adc":
            problems += _analogue(s)
        elif s.function in OUTPUTS:
            problems += _output(s)
        else:
            problems += _input(s)
        if latching:
            problems += _latch(s)
    total = sum(s.load_ma for s in wiring.signals)
    if total > chip.ALL_OUTPUTS_MAX_MA:
        text = f"all outputs together carry {total:g} mA, the chip allows {chip.ALL_OUTPUTS_MAX_MA:g} mA"
        problems.append(Problem("pin-current", "board", text + "; put a driver between"))
    return problems


def _within_pin(s: Signal, low: int, high: int, limit: int) -> list[Problem]:
    if low < chip.PIN_MIN_MV or high > limit:
        text = f"{low} to {high} mV can reach GPIO {s.gpio}, which bears {chip.PIN_MIN_MV} to {limit} mV"
        return [Problem("level", s.name, text + "; divide or clamp it")]
    return []


def _analogue(s: Signal) -> list[Problem]:
    if s.range_mv is None:
        return [Problem("level", s.name, "needs range_mv, the lowest and highest voltage at the pin")]
    problems = _within_pin(s, *s.range_mv, chip.ADC_MAX_MV)
    if s.pull != "none":
        problems.append(
            Problem("adc-pull", s.name, "an internal pull on an analogue input falsifies it; use none")
        )
    return problems


def _input(s: Signal) -> list[Problem]:
    if s.low_mv is None or s.high_mv is None:
        return [Problem("level", s.name, "needs low_mv and high_mv, the worst-case levels at the pin")]
    problems = _within_pin(s, s.low_mv[0], s.high_mv[1], chip.PIN_MAX_MV)
    if s.low_mv[1] > chip.INPUT_LOW_MAX_MV:
        text = f"low may be {s.low_mv[1]} mV, but only up to {chip.INPUT_LOW_MAX_MV} mV is read as low"
        problems.append(Problem("level", s.name, text))
    if s.high_mv[0] < chip.INPUT_HIGH_MIN_MV:
        text = f"high may be {s.high_mv[0]} mV, but only from {chip.INPUT_HIGH_MIN_MV} mV on is read as high"
        problems.append(Problem("level", s.name, text))
    if s.function.startswith("i2c") and not (s.pull_ohm and s.pull_to == "v3v3"):
        problems.append(
            Problem("i2c-pull", s.name, "an I2C line needs a resistor to 3.3 V; 4700 ohm is usual")
        )
    elif not s.pull_ohm and s.pull == "none":
        problems.append(Problem("floating", s.name, "nothing holds it when the cable is off; give it a pull"))
    if s.active not in ("high", "low"):
        problems.append(Problem("active", s.name, f"active must be high or low, not '{s.active}'"))
    elif s.name in ("stop_chain", "over_pressure") and s.active != "high":
        text = "a broken wire must read as a stop: high with a resistor to 3.3 V"
        problems.append(Problem("fail-safe", s.name, text))
    elif s.name in ("stop_chain", "over_pressure") and s.pull_to != "v3v3":
        problems.append(
            Problem("fail-safe", s.name, "needs its resistor to 3.3 V, so that a broken wire stops")
        )
    return problems


def _output(s: Signal) -> list[Problem]:
    problems = []
    if s.load_ma > chip.OUTPUT_CURRENT_MAX_MA:
        text = (
            f"carries {s.load_ma:g} mA, a pin drives {chip.OUTPUT_CURRENT_MAX_MA:g} mA; put a driver between"
        )
        problems.append(Problem("pin-current", s.name, text))
    if s.needs_low_mv is None or s.needs_high_mv is None:
        problems.append(
            Problem("level", s.name, "needs needs_low_mv and needs_high_mv of the part it drives")
        )
        return problems
    if s.needs_high_mv > chip.OUTPUT_HIGH_MIN_MV:
        text = (
            f"the driven part wants {s.needs_high_mv} mV as high, the pin gives {chip.OUTPUT_HIGH_MIN_MV} mV"
        )
        problems.append(Problem("level", s.name, text))
    if s.needs_low_mv < chip.OUTPUT_LOW_MAX_MV:
        text = (
            f"the driven part wants {s.needs_low_mv} mV as low, the pin may give {chip.OUTPUT_LOW_MAX_MV} mV"
        )
        problems.append(Problem("level", s.name, text))
    if s.safe == "low":
        problems += _held_low(s)
    elif s.function == "pwm" or s.block == "driver_array":
        problems.append(
            Problem("reset-state", s.name, "must say safe = low: what it drives is off while low")
        )
    return problems


def reset_level_mv(s: Signal, latching: bool) -> float:
    """Highest level (mV) at an output's pin while no program drives it, its resistor to 0 V counted alone.

    Ohm's law with the pin's leakage (or the latch current of RP2350-E9) through the resistor plus 5 %. The
    chip's own pull-down is not counted: it is there at reset, but a program may have switched it off.
    """
    microamps = chip.LATCH_CURRENT_UA if latching else chip.PIN_LEAKAGE_UA
    return microamps * 1e-3 * s.pull_ohm * 1.05


def _held_low(s: Signal) -> list[Problem]:
    if not s.pull_ohm or s.pull_to != "gnd":
        text = "needs a resistor to 0 V: between reset and start-up nothing else holds it"
        return [Problem("reset-state", s.name, text)]
    if s.pull == "up":
        return [Problem("reset-state", s.name, "its internal pull works against its resistor to 0 V")]
    level = reset_level_mv(s, latching=False)
    if s.needs_low_mv is not None and level > s.needs_low_mv:
        text = f"{s.pull_ohm:g} ohm holds it only at {level:.0f} mV, it needs {s.needs_low_mv} mV"
        return [Problem("reset-state", s.name, text)]
    load = chip.OUTPUT_HIGH_MIN_MV / s.pull_ohm
    if load > chip.OUTPUT_CURRENT_MAX_MA / 2:
        return [Problem("pin-current", s.name, f"its resistor alone draws {load:.1f} mA; use a larger one")]
    return []


def _latch(s: Signal) -> list[Problem]:
    """RP2350-E9: a digital input needs a pull-up, or a resistor to 0 V of at most 8.2 kilohm."""
    if s.function == "adc":
        return []
    if s.pull == "down" and not s.pull_ohm:
        text = "on an RP2350 the internal pull-down may latch near 2.2 V (RP2350-E9)"
        return [
            Problem("latch", s.name, text + f"; use at most {chip.LATCH_PULL_MAX_OHM} ohm to 0 V outside")
        ]
    if s.pull_to == "gnd" and s.pull_ohm > chip.LATCH_PULL_MAX_OHM:
        text = f"on an RP2350 {s.pull_ohm:g} ohm to 0 V is too much (RP2350-E9)"
        return [Problem("latch", s.name, text + f"; use at most {chip.LATCH_PULL_MAX_OHM} ohm")]
    return []
