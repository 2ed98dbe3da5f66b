"""Drawings of frame and plates to scale, A3: front view with its lists, plates with their holes."""

from __future__ import annotations

import io
from collections.abc import Iterable

from skidwright.errors import RigError
from skidwright.rig.drawing.sheet import Sheet
from skidwright.rig.drawing.symbols import arrow_head
from skidwright.rig.mechanics.model import Hole, MechanicalPart, Mechanics, PipeRun, Plate

OUTLINE, HOLES, WORDS = "OUTLINE", "HOLES", "WORDS"


def dxf(plate: Plate) -> str:
    """The text of a DXF file: closed outline, a circle for each hole, words on a layer of their own.

    R12, the plainest, which gives the same bytes each time.
    Raises RigError when ezdxf is not installed.
    """
    try:
        from ezdxf.addons.r12writer import R12FastStreamWriter
    except ImportError:
        raise RigError("drawing the plates needs ezdxf: pip install 'skidwright[hardware]'") from None
    text = io.StringIO()
    writer = R12FastStreamWriter(text)
    w, h = plate.width, plate.height
    writer.add_polyline_2d([(0, 0), (w, 0), (w, h), (0, h)], closed=True, layer=OUTLINE)
    for hole in plate.holes:
        writer.add_circle((hole.x, hole.y), hole.diameter / 2, layer=HOLES)
    words = f"{plate.id}, millimetres: {plate.thickness:g} mm {plate.material}, {plate.pieces} off"
    writer.add_text(words, insert=(0, -12), height=5, layer=WORDS)
    writer.close()
    return text.getvalue()


_UNITS_MM = 4.0  # of a sheet, a millimetre of paper
_A3 = (420 * _UNITS_MM, 297 * _UNITS_MM)
# Why a part sits where it does.
WHY = {
    "BOX": "above and beside all fluid, glands at the bottom",
    "PSU": "fitted and tested by a licensed electrician",
    "F7": "in reach, so that somebody looks before it is reset",
    "S1": "reachable without leaning over the pump",
    "S2": "beside the stop button, in sight of the pump",
    "P": "low, so that its inlet is flooded; guard over the coupling",
    "STR": "before the pump, to be looked into",
    "BLOCK": "at the pump's outlet, with nothing to shut in between",
    "RV": "back to the pump's inlet",
    "PS": "opens the stop chain",
    "PG": "to be seen from the front",
    "BP": "before the counter, short and upright, flushed before filling",
    "OPC": "bubbles rise through and do not gather",
    "WS": "close to the counter, in the same stream",
    "TT": "beside the water sensor, whose reading depends on temperature",
    "MS": "better in the main line",
    "FM": "behind the counter",
    "BPV": "behind the meter, so that all before it stands under pressure",
    "CV": "nothing comes back from a machine's return",
    "SV": "at the edge, hoses from the taps short",
    "RSV": "at the edge; pipe ends below the oil's level",
}
_FILL = {"OPC": "#e6f2e3", "WS": "#efe4f7", "TT": "#efe4f7", "P": "#dfe9f3", "BLOCK": "#f4e3cf"}
_FOOT = (
    "Not yet built. Offer every part up before you drill: take its holes from the part where they "
    "differ. Deburr; flush every bore. Isolate, relieve, prove and cool before opening a line; local codes "
    "come first."
)


class _View:
    """Millimetres of the front view or a plate on a sheet: `x`, `y` of the lower left, `scale` units a mm."""

    def __init__(self, sheet: Sheet, x: float, y: float, scale: float) -> None:
        self.sheet, self.x, self.y, self.scale = sheet, x, y, scale

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.x + x * self.scale, self.y - y * self.scale

    def box(self, x: float, y: float, w: float, h: float, fill: str = "white", dash: str = "") -> None:
        left, top = self.at(x, y + h)
        self.sheet.box(left, top, w * self.scale, h * self.scale, fill=fill, dash=dash)

    def across(self, x1: float, x2: float, y: float, drop: float) -> None:
        """Dimension between two x, drawn `drop` units below y."""
        (left, line), (right, _) = self.at(x1, y), self.at(x2, y)
        line += drop
        self.sheet.line((left, line), (right, line), width=0.8)
        arrow_head(self.sheet, left, line, 180, 7)
        arrow_head(self.sheet, right, line, 0, 7)
        self.sheet.label((left + right) / 2, line - 4, f"{x2 - x1:g}", 11, "middle")

    def up(self, y1: float, y2: float, x: float, aside: float) -> None:
        """Dimension between two y, drawn `aside` units left of x."""
        (line, low), (_, high) = self.at(x, y1), self.at(x, y2)
        line -= aside
        self.sheet.line((line, low), (line, high), width=0.8)
        arrow_head(self.sheet, line, low, 90, 7)
        arrow_head(self.sheet, line, high, -90, 7)
        self.sheet.label(line - 4, (low + high) / 2 + 4, f"{y2 - y1:g}", 11, "end")


def _sheet(title: str, description: str) -> Sheet:
    return Sheet(*_A3, title, description, mm_per_unit=1 / _UNITS_MM)


def front_sheet(m: Mechanics) -> str:
    """SVG of the front view at 1:5, with places, cut list, lines and fittings."""
    s = _sheet("Frame and places, front view", "Front view of the skid to scale 1:5 with lists.")
    s.label(24, 40, "Skid, front view", 20, bold=True)
    s.label(24, 62, "Scale 1:5 on A3. Millimetres, from the frame's left edge and from the floor.", 12)
    f = m.frame
    v = _View(s, 110, 860, _UNITS_MM / 5)
    v.box(0, 0, f.width, f.height, "none")
    for x in (0.0, f.width - f.profile):
        v.box(x, 0, f.profile, f.height, "#dddddd")
    for y in (0.0, f.height - f.profile):
        v.box(f.profile, y, f.width - 2 * f.profile, f.profile, "#dddddd")
    for plate in m.plates:
        if plate.offset:
            v.box(*plate.offset, plate.width, plate.height, "none", dash="2 4")
    v.box(f.profile, 0, f.width - 2 * f.profile, f.tray_height, "#eeeeee", dash="5 3")
    s.label(*v.at(f.profile + 8, 18), f"drip tray, {f.tray_height:g} high, full width and depth", 11)
    for line in m.lines:
        _line(v, m, line)
    for number, part in enumerate(m.parts, 1):
        v.box(*part.at, *part.size, fill=_FILL.get(part.item, "#f2f2f2"))
        x, y = v.at(part.at[0] + part.size[0] / 2, part.at[1] + part.size[1] / 2)
        s.label(x, y + 4, str(number), 11, "middle", bold=True)
    v.across(0, f.width, 0, 40)
    v.up(0, f.height, 0, 40)
    v.up(0, f.fluid_top, 0, 14)
    s.label(*v.at(0, -75), f"depth {f.depth:g}; fluid no higher than {f.fluid_top:g}", 12)
    _places(s, 800, 96, m.parts)
    _lists(s, 800, 140 + 27 * (len(m.parts) + 1), m)
    s.label(24, 1172, _FOOT, 12)
    return s.text()


def _line(v: _View, m: Mechanics, line: PipeRun) -> None:
    """Level first where the port looks sideways, upright first where it looks up or down."""
    start, end = m.part(line.start).outlet, m.part(line.end).inlet
    if not start or not end:
        return
    part = m.part(line.start)
    sideways = start[0] in (part.at[0], part.at[0] + part.size[0])
    corner = (end[0], start[1]) if sideways else (start[0], end[1])
    v.sheet.line(v.at(*start), v.at(*corner), v.at(*end), width=3 if line.main else 1.6)


def _places(s: Sheet, x: float, y: float, parts: Iterable[MechanicalPart]) -> None:
    s.label(x, y, "Places", 13, bold=True)
    heads = ("left, bottom", "wide x high")
    s.label(x + 640, y, heads[0], 11, bold=True)
    s.label(x + 740, y, heads[1], 11, bold=True)
    for number, part in enumerate(parts, 1):
        y += 27
        s.label(x + 18, y, str(number), 11, "end", bold=True)
        s.label(x + 28, y, part.item, 11, bold=True)
        s.label(x + 84, y, f"{part.title}: {WHY[part.item]}", 11)
        s.label(x + 640, y, f"{part.at[0]:g}, {part.at[1]:g}", 11)
        s.label(x + 740, y, f"{part.size[0]:g} x {part.size[1]:g}", 11)


def _lists(s: Sheet, x: float, y: float, m: Mechanics) -> None:
    top = y
    s.label(x, y, f"Profile {m.frame.profile:g} x {m.frame.profile:g}, {m.profile_m():.1f} m", 13, bold=True)
    for length, count in m.frame.cuts().items():
        y += 20
        s.label(x + 18, y, f"{count} of {length:g} mm", 11)
    y += 32
    s.label(x, y, "Fittings on the skid", 13, bold=True)
    for name, count in (*sorted(m.fittings().items()), ("tee at a port two lines share", m.tees())):
        y += 20
        s.label(x + 18, y, f"{count} of {name}", 11)
    y = top
    s.label(x + 400, y, f"Lines on the skid, {m.tube_m():.2f} m", 13, bold=True)
    for line in m.lines:
        y += 19
        s.label(x + 418, y, f"{line.start} to {line.end}", 11)
        s.label(x + 560, y, f"bore {line.bore:g}, {line.length:g} mm", 11)


def plates_sheet(m: Mechanics) -> str:
    """SVG of all plates, each to its scale, with dimensions and the list of its holes."""
    s = _sheet("Plates", "Plates of the skid to scale with their holes.")
    s.label(24, 40, "Plates", 20, bold=True)
    s.label(
        24,
        62,
        "Millimetres, from each plate's lower left. The DXF files beside this have the same holes.",
        12,
    )
    places = {  # lower left on the sheet, millimetres of plate a millimetre of paper
        "fluid_plate": (90, 600, 5.0), "box_plate": (90, 1010, 5.0),
        "gland_plate": (1000, 440, 2.5), "manifold": (1000, 820, 2.5),
    }  # fmt: skip
    for plate in m.plates:
        x, y, scale = places[plate.id]
        _plate(_View(s, x, y, _UNITS_MM / scale), plate, scale)
    s.label(24, 1172, _FOOT, 12)
    return s.text()


def _plate(v: _View, plate: Plate, scale: float) -> None:
    s = v.sheet
    left, top = v.at(0, plate.height)
    pieces = f", {plate.pieces} pieces" if plate.pieces > 1 else ""
    s.label(left, top - 30, plate.title, 13, bold=True)
    s.label(left, top - 13, f"{plate.thickness:g} mm {plate.material}{pieces}; scale 1:{scale:g}", 11)
    v.box(0, 0, plate.width, plate.height, "#f7f7f7")
    groups: dict[tuple[float, str], list[Hole]] = {}
    for hole in plate.holes:
        groups.setdefault((hole.diameter, hole.purpose), []).append(hole)
    for letter, holes in zip("ABCDEFGHIJKLMNOPQ", groups.values(), strict=False):
        for hole in holes:
            x, y = v.at(hole.x, hole.y)
            s.circle(x, y, max(hole.diameter * v.scale / 2, 1.5))
            s.label(x + hole.diameter * v.scale / 2 + 2, y - 3, letter, 9)
    v.across(0, plate.width, 0, 22)
    v.up(0, plate.height, 0, 14)
    aside = plate.id in ("fluid_plate", "box_plate")
    x, y = (left + plate.width * v.scale + 24, top + 8) if aside else (left, v.at(0, 0)[1] + 50)
    for letter, ((diameter, purpose), holes) in zip("ABCDEFGHIJKLMNOPQ", groups.items(), strict=False):
        s.label(x, y, f"{letter}  {len(holes)} x {diameter:g}  {purpose}", 10, bold=True)
        at = [f"{hole.x:g},{hole.y:g}" for hole in holes]
        for i in range(0, len(at), 4 if aside else 8):
            y += 13
            s.label(x + 14, y, "  ".join(at[i : i + (4 if aside else 8)]), 10)
        y += 15
