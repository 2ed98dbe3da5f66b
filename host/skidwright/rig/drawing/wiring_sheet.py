"""The wiring drawing: from each terminal over its block to the pin; and the board with all 40 pins."""

from __future__ import annotations

from ..wiring.chip import EDGE_PINS, POWER_PINS
from ..wiring.model import Connector, Signal, Wiring
from ..wiring.pin_table import function_words, pull_words
from .sheet import Sheet

_ROW = 22.0
_POWER_WORDS = {
    39: "in: 5 V through a Schottky diode",
    38: "0 V of supply and outputs",
    36: "out: 3.3 V for pull-ups, comparators, bus",
    35: "out: reference, to the thermistor's resistor",
    33: "0 V of the analogue inputs, kept apart",
    30: "to 0 V resets; leave open",
}
_BLOCKS = {
    "comparator": "pulse input",
    "optocoupler": "contact input",
    "driver_array": "driver array",
    "pump_driver": "pump drive",
    "loop_input": "4-20 mA input",
    "thermistor": "thermistor input",
    "lamp_driver": "lamp driver",
    "": "straight",
}
_SHADES = {
    "comparator": "#e3eefb", "optocoupler": "#fde9d6", "driver_array": "#e5f3e1", "pump_driver": "#f9dede",
    "loop_input": "#efe4f7", "thermistor": "#efe4f7", "": "#f2f2f2",
}  # fmt: skip


def wiring_sheet(wiring: Wiring) -> str:
    """SVG of all connectors in two columns: wire, terminal, block, pin."""
    half: list[list[Connector]] = [[], []]
    rows = [0.0, 0.0]
    for connector in wiring.connectors:
        side = 0 if rows[0] <= rows[1] else 1
        half[side].append(connector)
        rows[side] += len(connector.terminals) + 2.2
    width, height = 1240.0, 90 + max(rows) * _ROW + 40
    sheet = Sheet(
        width,
        height,
        "Wiring of the sampling skid",
        "Every terminal with its wire colour, the block behind it and the pin of the microcontroller board.",
    )
    sheet.label(20, 32, "Wiring of the sampling skid", 20, bold=True)
    sheet.label(
        20,
        54,
        f"{wiring.board.name} ({wiring.board.chip}). Wire colour, terminal, block on the wiring board, pin. "
        "Extra-low voltage only; disconnect before working.",
        12,
    )
    for side in (0, 1):
        y = 84.0
        for connector in half[side]:
            y = _connector(sheet, wiring, connector, 20 + side * 610, y)
    return sheet.text()


def _connector(sheet: Sheet, wiring: Wiring, connector: Connector, x: float, y: float) -> float:
    signals = {s.name: s for s in wiring.signals}
    sheet.label(x, y + 4, f"{connector.id}  {connector.title}", 13, bold=True)
    top = y + 12
    sheet.box(x + 120, top, 170, len(connector.terminals) * _ROW + 4, fill="#fafafa")
    for i, terminal in enumerate(connector.terminals):
        line_y = top + 2 + _ROW * (i + 0.5)
        sheet.line((x + 104, line_y), (x + 120, line_y))
        sheet.label(x + 100, line_y + 4, wiring.wire_colours.get(terminal.wire, terminal.wire), 10.5, "end")
        sheet.label(x + 128, line_y + 4, str(terminal.number), 11, bold=True)
        sheet.label(x + 150, line_y + 4, terminal.carries, 11)
        signal = signals.get(terminal.carries)
        if signal:
            _to_pin(sheet, signal, x + 290, line_y)
    return top + len(connector.terminals) * _ROW + _ROW * 1.6


def _to_pin(sheet: Sheet, signal: Signal, x: float, y: float) -> None:
    sheet.line((x, y), (x + 30, y))
    sheet.box(x + 30, y - 9, 106, 18, fill=_SHADES.get(signal.block, "white"), radius=3)
    sheet.label(x + 83, y + 4, _BLOCKS.get(signal.block, signal.block), 10.5, "middle")
    sheet.line((x + 136, y), (x + 160, y))
    sheet.box(x + 160, y - 9, 108, 18, radius=9)
    sheet.label(x + 214, y + 4, f"GP{signal.gpio}  (pin {EDGE_PINS.get(signal.gpio, 0)})", 10.5, "middle")


def board_sheet(wiring: Wiring) -> str:
    """SVG of the board with its 40 pins, what each does, and the resistor on it."""
    by_pin = {EDGE_PINS[s.gpio]: s for s in wiring.signals if s.gpio in EDGE_PINS}
    options = [x for o in wiring.options for x in o.signals]
    gpio_of = {pin: gpio for gpio, pin in EDGE_PINS.items()}
    sheet = Sheet(
        1240, 660, "Pins of the microcontroller board", "The 40 pins seen from above, the cable at the top."
    )
    sheet.label(20, 32, "Pins of the microcontroller board, seen from above", 20, bold=True)
    sheet.box(510, 70, 220, 560, fill="#eef5ee", radius=8)
    sheet.box(592, 56, 56, 30, fill="#dddddd", radius=3)
    sheet.label(620, 76, "USB", 11, "middle")
    sheet.label(620, 350, wiring.board.chip, 16, "middle", bold=True)
    for pin in range(1, 41):
        left = pin <= 20
        y = 100 + ((pin - 1) if left else (40 - pin)) * 26.5
        x = 510 if left else 730
        direction, anchor = (-1, "end") if left else (1, "start")
        sheet.box(x - 9, y - 9, 18, 18, fill="#f7e7b0")
        sheet.label(x, y + 4, str(pin), 9.5, "middle")
        name = POWER_PINS.get(pin) or f"GP{gpio_of[pin]}"
        sheet.label(x - direction * 16, y + 4, name, 10.5, "start" if left else "end")
        signal = by_pin.get(pin)
        if pin in _POWER_WORDS:
            sheet.label(x + direction * 36, y + 4, _POWER_WORDS[pin], 11, anchor)
        if signal is None:
            continue
        sheet.line((x + direction * 9, y), (x + direction * 30, y))
        words = [signal.name, function_words(signal)]
        if signal.pull_ohm:
            words.append(pull_words(signal))
        words += [f"or {x.name}" for x in options if EDGE_PINS.get(x.gpio) == pin]
        sheet.label(x + direction * 36, y + 4, ", ".join(words), 11, anchor)
    return sheet.text()
