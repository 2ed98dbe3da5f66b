"""The hydraulic circuit of the skid as one sheet; item names are those of hardware/bill_of_materials.csv."""

from __future__ import annotations

from . import symbols
from .sheet import Sheet

# Item, words. The names stand in the bill of materials too (checked by the tests).
ITEMS = (
    ("SOV", "shut-off valve at each tap"),
    ("PRV", "pressure reducer, for a tap under pressure"),
    ("TRV", "relief valve behind the reducer"),
    ("TPG", "gauge or test coupling behind the reducer"),
    ("CV", "non-return valve"),
    ("SV", "sampling valve, one each asset"),
    ("STR", "strainer, 500 um or coarser"),
    ("P", "sampling pump with motor"),
    ("RV", "relief valve of the pump, back to its inlet"),
    ("PG", "pressure gauge"),
    ("PS", "pressure switch, opens the stop chain"),
    ("BP", "bottle port with valve and cap"),
    ("OPC", "particle counter"),
    ("WS", "water saturation sensor"),
    ("TT", "fluid temperature, beside the water sensor"),
    ("MS", "metal sensor, optional; better in the main line"),
    ("FM", "flow meter"),
    ("BPV", "back-pressure valve"),
    ("RSV", "return valve, one each asset"),
)
# Items in the order of the flow, from sampling to return valve; hardware/mechanics.toml must agree.
FLOW_ORDER = (
    "SV", "STR", "P", "RV", "PG", "PS", "BP", "OPC", "WS", "TT", "MS", "FM", "BPV", "CV", "RSV",
)  # fmt: skip


def circuit_sheet() -> str:
    """SVG of the circuit: taps on the left, counter on the right, return below."""
    s = Sheet(
        1400, 930, "Hydraulic circuit of the sampling skid",
        "From the taps of up to eight machines through valve, pump, counter, sensors and flow meter back "
        "to the machine the sample came from. Symbols in the style of ISO 1219-1.",
    )  # fmt: skip
    s.label(20, 34, "Hydraulic circuit of the sampling skid", 20, bold=True)
    s.label(
        20,
        56,
        "Symbols in the style of ISO 1219-1, drawn at rest: no power, valves closed, pump standing.",
        12,
    )
    _taps(s)
    _skid(s)
    _return(s)
    _legend(s)
    return s.text()


_MANIFOLD_X = 560.0
_LINE_Y = 250.0
_RETURN_Y = 560.0


def _taps(s: Sheet) -> None:
    y = _LINE_Y
    s.line((60, 120), (60, 330), width=4)
    symbols.arrow_head(s, 60, 200, 90, 16)
    s.label(20, 100, "asset 1: main line with turbulent flow", 12)
    s.dot(60, y)
    s.line((60, y), (96, y))
    symbols.shut_off_valve(s, 110, y)
    s.label(110, y - 18, "SOV", 12, "middle")
    s.line((124, y), (172, y))
    symbols.pressure_reducer(s, 190, y)
    s.label(222, y - 26, "PRV", 12)
    s.line((208, y), (338, y))
    s.dot(270, y)
    s.line((270, y), (270, 322))
    symbols.relief_valve_down(s, 270, 340)
    s.label(312, 345, "TRV", 12)
    s.line((270, 358), (270, 396))
    symbols.reservoir(s, 270, 404, 44)
    s.label(298, 404, "to asset 1's reservoir", 11)
    _stub(s, 305, y, 34)
    symbols.gauge(s, 305, y - 50)
    s.label(305, y - 72, "TPG", 12, "middle")
    symbols.check_valve(s, 350, y)
    s.label(350, y - 20, "CV", 12, "middle")
    s.line((362, y), (435, y))
    symbols.solenoid_valve(s, 450, y)
    s.label(472, y - 40, "SV1", 12)
    s.line((465, y), (_MANIFOLD_X, y))

    low = 450.0
    symbols.reservoir(s, 60, low + 22, 70)
    s.line((60, low + 14), (60, low - 40), (96, low - 40))
    s.label(20, low + 44, "asset 2: reservoir, tapped halfway between", 12)
    s.label(20, low + 60, "wall and baffle, and between bottom and level", 12)
    symbols.shut_off_valve(s, 110, low - 40)
    s.label(110, low - 58, "SOV", 12, "middle")
    s.line((124, low - 40), (160, low - 40), (160, low), (338, low))
    symbols.check_valve(s, 350, low)
    s.label(350, low - 20, "CV", 12, "middle")
    s.line((362, low), (435, low))
    symbols.solenoid_valve(s, 450, low)
    s.label(472, low - 40, "SV2", 12)
    s.line((465, low), (_MANIFOLD_X, low), (_MANIFOLD_X, _LINE_Y))
    s.dot(_MANIFOLD_X, _LINE_Y)
    s.line((_MANIFOLD_X, low), (_MANIFOLD_X, low + 26), dash="6 4")
    s.label(_MANIFOLD_X - 8, low + 26, "SV3 to SV8 alike", 11, "end")


def _stub(s: Sheet, x: float, y: float, up: float) -> None:
    s.dot(x, y)
    s.line((x, y), (x, y - up))


def _skid(s: Sheet) -> None:
    y = _LINE_Y
    s.box(422, 92, 958, 648, fill="none", dash="10 5")
    s.label(600, 110, "on the skid's frame, with drip tray", 12)
    s.line((_MANIFOLD_X, y), (622, y))
    symbols.strainer(s, 640, y)
    s.label(640, y - 26, "STR", 12, "middle")
    s.line((658, y), (728, y))
    symbols.pump(s, 750, y)
    s.label(778, y + 24, "P", 12)
    s.line((772, y), (1018, y))
    s.dot(812, y)
    s.line((812, y), (812, 322))
    symbols.relief_valve_down(s, 812, 340)
    s.label(856, 345, "RV", 12)
    # Back to the pump's inlet: the return may be shut, and a relief into a shut line is none.
    s.line((812, 358), (812, 400), (712, 400), (712, y))
    s.dot(712, y)
    _stub(s, 850, y, 34)
    symbols.gauge(s, 850, y - 50)
    s.label(850, y - 72, "PG", 12, "middle")
    _stub(s, 905, y, 35)
    symbols.pressure_switch(s, 905, y - 50)
    s.label(924, y - 66, "PS", 12)
    s.dot(960, y)
    s.line((960, y), (960, 296))
    s.polygon((951, 296), (960, 310), (969, 296))
    s.polygon((951, 324), (960, 310), (969, 324))
    s.line((960, 324), (960, 350))
    s.line((950, 350), (970, 350), width=3)
    s.label(976, 352, "BP", 12)
    symbols.instrument(s, 1040, y, "PC")
    s.label(1040, y + 40, "OPC", 12, "middle")
    s.line((1062, y), (1108, y))
    symbols.instrument(s, 1130, y, "W")
    s.label(1130, y + 40, "WS", 12, "middle")
    s.line((1152, y), (1198, y))
    _stub(s, 1175, y, 32)
    symbols.thermometer(s, 1175, y - 48)
    s.label(1175, y - 70, "TT", 12, "middle")
    symbols.instrument(s, 1220, y, "Me")
    s.label(1220, y + 40, "MS", 12, "middle")
    s.line((1242, y), (1320, y), (1320, 440), (1238, 440))
    # The return runs from right to left: turn these symbols about.
    s.add('<g transform="rotate(180 1220 440)">')
    symbols.flow_meter(s, 1220, 440)
    s.add("</g>")
    s.label(1220, 478, "FM", 12, "middle")
    s.line((1202, 440), (1128, 440))
    s.add('<g transform="rotate(180 1110 440)">')
    symbols.back_pressure_valve(s, 1110, 440)
    s.add("</g>")
    s.label(1110, 492, "BPV", 12, "middle")
    s.line((1092, 440), (1032, 440))
    s.add('<g transform="rotate(180 1020 440)">')
    symbols.check_valve(s, 1020, 440)
    s.add("</g>")
    s.label(1020, 470, "CV", 12, "middle")
    s.line((1008, 440), (930, 440), (930, _RETURN_Y))


def _return(s: Sheet) -> None:
    y = _RETURN_Y
    s.line((930, y), (465, y))
    s.label(640, y - 10, "return to the asset the sample came from", 11)
    for row, name in ((y, "1"), (y + 110, "2")):
        s.add(f'<g transform="rotate(180 450 {row})">')
        # Turned about: the actuated square comes to lie below.
        symbols.solenoid_valve(s, 450, row)
        s.add("</g>")
        s.label(474, row + 34, f"RSV{name}", 12)
        s.line((435, row), (160, row), (160, row + 32))
        symbols.arrow_head(s, 160, row + 30, 90)
        symbols.reservoir(s, 160, row + 44, 70)
        s.label(120, row + 62, f"reservoir of asset {name}, pipe ends below the oil's level", 11)
    s.line((520, y), (520, y + 110), (465, y + 110))
    s.dot(520, y)
    s.line((520, y + 110), (520, y + 136), dash="6 4")
    s.label(528, y + 136, "RSV3 to RSV8 alike, each on its sampling valve's output", 11)


def _legend(s: Sheet) -> None:
    s.label(20, 762, "Items", 13, bold=True)
    per_column = 7
    for i, (item, words) in enumerate(ITEMS):
        x = 20 + (i // per_column) * 430
        y = 782 + (i % per_column) * 18
        s.label(x, y, item, 12, bold=True)
        s.label(x + 46, y, words, 12)
    s.label(
        20, 918, "A reducer and both relief valves are rated for the machine's highest pressure. "
        "Never search for a leak by hand. The skid is not a safety device.", 12,
    )  # fmt: skip
