"""The pin table in the firmware's form and in the documentation's, both made from the wiring."""

from __future__ import annotations

from collections.abc import Sequence

from .chip import EDGE_PINS, pwm_slice
from .model import Connector, Signal, Wiring

COUNTERS = ("count_4um", "count_6um", "count_14um", "count_21um", "metal_ferrous", "metal_nonferrous")
SELECTORS = tuple(f"selector_{i}" for i in range(1, 9))


def _constant(name: str) -> str:
    return name.upper() + "_PIN"


def firmware_pins(wiring: Wiring) -> str:
    """The text of firmware/skidboard/board/pins.py. The wiring must have passed its checks."""
    gpio = {s.name: s.gpio for s in wiring.signals}
    by_name = {s.name: s for s in wiring.signals}
    lines = [
        '"""Pins by signal, made from hardware/wiring.toml by `skidwright wiring make`."""',
        "",
        "# Particle counts >=4, >=6, >=14, >=21 um(c), then ferrous and non-ferrous metal",
        f"COUNTER_PINS = ({', '.join(str(gpio[n]) for n in COUNTERS)})",
        f"FLOW_METER_PIN = {gpio['flow_meter']}",
        "",
        "# Slice 0 to 3, so that a soft reset stops the drive",
        f"PUMP_PIN = {gpio['pump']}",
        f"PUMP_PWM_HZ = {by_name['pump'].frequency_hz}",
        "",
        "# Sampling valves in the order of the setting `assets`",
        f"SELECTOR_PINS = ({', '.join(str(gpio[n]) for n in SELECTORS)})",
        f"STORED_LAMP_PIN = {gpio['stored_lamp']}",
        "# Turned over each tick while no fault is up",
        f"HEARTBEAT_PIN = {gpio['heartbeat']}",
        "",
        "# Level that means stop, over-pressure, safe mode",
    ]
    for name in ("stop_chain", "over_pressure", "safe_mode"):
        lines.append(f"{_constant(name)} = {gpio[name]}")
        lines.append(f"{name.upper()}_ACTIVE = {1 if by_name[name].active == 'high' else 0}")
    lines += ["", "# Analogue inputs"]
    lines += [f"{_constant(n)} = {gpio[n]}" for n in ("water_loop", "temp_loop", "temp_thermistor")]
    lines += [
        f"ADC_REFERENCE_MV = {wiring.board.adc_reference_mv}",
        f"SHUNT_OHM = {wiring.board.shunt_ohm}",
        f"THERMISTOR_PULL_OHM = {wiring.board.thermistor_pull_ohm}",
        f"THERMISTOR_SERIES_OHM = {wiring.board.thermistor_series_ohm}",
        "",
        "# Bus of the 16-bit converter and the clock chip, both optional",
        f"I2C_BUS = {by_name['i2c_sda'].bus}",
        f"I2C_SDA_PIN = {gpio['i2c_sda']}",
        f"I2C_SCL_PIN = {gpio['i2c_scl']}",
    ]
    for device in wiring.i2c_devices:
        lines.append(
            f"{device.name.upper().replace(' ', '_').replace('-', '_')}_ADDRESS = 0x{device.address:02X}"
        )
    for option in wiring.options:
        lines += ["", f"# Option: {option.title}"]
        beside = "_BESIDE_" + "_".join(option.needs).upper() if option.needs else ""
        for x in option.signals:
            lines.append(f"{x.name.upper()}{beside}_PIN = {x.gpio}")
            if x.function == "uart_rx":
                lines.append(f"{x.name.upper()}{beside}_UART = {x.bus}")
    return "\n".join(lines) + "\n"


def function_words(signal: Signal) -> str:
    """A signal's function in words, with the slice or bus."""
    if signal.function == "pwm":
        number, channel = pwm_slice(signal.gpio)
        return f"PWM, slice {number} {channel}"
    return {
        "pio_count": "PIO edge counter",
        "adc": f"analogue input {signal.gpio - 26}",
        "i2c_sda": f"I2C{signal.bus} data",
        "i2c_scl": f"I2C{signal.bus} clock",
        "uart_tx": f"UART{signal.bus} out",
        "uart_rx": f"UART{signal.bus} in",
        "input": f"input, active {signal.active}",
        "output": "output",
    }[signal.function]


def pull_words(signal: Signal) -> str:
    """The resistor on a signal in words."""
    if not signal.pull_ohm:
        return ""
    ohm = f"{signal.pull_ohm / 1000:g} kilohm" if signal.pull_ohm >= 1000 else f"{signal.pull_ohm:g} ohm"
    return f"{ohm} to {'0 V' if signal.pull_to == 'gnd' else '3.3 V'}"


def terminals_of(wiring: Wiring, name: str) -> list[str]:
    """Terminals that carry a conductor, e.g. ["J5.3"]."""
    return [f"{c.id}.{t.number}" for c in wiring.connectors for t in c.terminals if t.carries == name]


def pin_rows(wiring: Wiring) -> list[tuple[str, ...]]:
    """One row a pin: GPIO, board pin, signal, function, resistor, terminal, meaning."""
    return [
        (
            f"GP{s.gpio}",
            str(EDGE_PINS.get(s.gpio, "-")),
            s.name,
            function_words(s),
            pull_words(s),
            ", ".join(terminals_of(wiring, s.name)) or "on the board",
            s.title,
        )
        for s in sorted(wiring.signals, key=lambda s: s.gpio)
    ]


def markdown(header: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> list[str]:
    """The lines of a table."""
    lines = ["| " + " | ".join(header) + " |", "|" + " --- |" * len(header)]
    return lines + ["| " + " | ".join(row) + " |" for row in rows]


def _connector_rows(wiring: Wiring, connector: Connector) -> list[tuple[str, ...]]:
    meaning = {s.name: s.title for s in wiring.signals} | {s.name: s.title for s in wiring.supplies}
    meaning |= {c.name: c.title for c in wiring.conductors}
    titles = {d.id: d.title for d in wiring.devices}
    meaning |= {
        "zero_volts": "0 V",
        "protective_earth": "protective earth",
        "screen": "cable screen, this end only",
    }
    return [
        (
            f"{connector.id}.{t.number}",
            t.carries,
            meaning.get(t.carries, ""),
            ", ".join(f"{pin} {titles[pin.partition('.')[0]]}" for pin in t.to),
            wiring.wire_colours.get(t.wire, t.wire),
        )
        for t in connector.terminals
    ]


def option_lines(wiring: Wiring) -> list[str]:
    """What each option takes and which combinations there are, with the valves that are left."""
    lines = ["### Options", ""]
    for o in wiring.options:
        pins = ", ".join(f"`{x.name}` on GP{x.gpio}" for x in o.signals)
        lines.append(f"- `{o.name}`: {o.title} ({pins}).")
    rows = []
    for taken in wiring.combinations():
        gone = {name for o in wiring.options if o.name in taken for name in o.replaces}
        left = [n for n in SELECTORS if n not in gone]
        rows.append(
            (
                " and ".join(f"`{name}`" for name in sorted(taken)) or "none",
                ", ".join(n.removeprefix("selector_") for n in SELECTORS if n in gone) or "none",
                f"1 to {len(left)}",
            )
        )
    header = ("options taken", "assets whose valves give way", "assets left")
    return [*lines, "", *markdown(header, rows), ""]


def documentation(wiring: Wiring) -> str:
    """The tables of docs/wiring.md: pins, connectors with wires, options."""
    header = ("GPIO", "board pin", "signal", "function", "resistor", "terminal", "meaning")
    lines = ["### Pins", "", *markdown(header, pin_rows(wiring)), ""]
    lines += option_lines(wiring)
    lines += ["### Connectors", ""]
    for connector in wiring.connectors:
        rows = _connector_rows(wiring, connector)
        names = " or ".join(f"`{name}`" for name in connector.options)
        with_option = f" (only with option {names})" if names else ""
        lines += [f"**{connector.id}** {connector.title}{with_option}", ""]
        lines += [*markdown(("terminal", "net", "meaning", "to", "wire"), rows), ""]
    return "\n".join(lines)
