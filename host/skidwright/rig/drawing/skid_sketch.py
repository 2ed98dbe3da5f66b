"""Mechanical sketch of the skid: where things sit on the frame and why, not to be cut to."""

from __future__ import annotations

from .sheet import Sheet
from .symbols import arrow_head

# Number, what, why there.
PLACES = (
    ("1", "drip tray, holds all the oil on the skid", "waste oil stays on the skid; look into it daily"),
    ("2", "pump and motor, shaft guarded", "low, so that the inlet is flooded; guard over the coupling"),
    ("3", "relief valve, gauge, pressure switch", "at the pump's outlet, with nothing to shut in between"),
    (
        "4",
        "particle counter, flow upwards",
        "bubbles rise through and do not gather; upright lines settle nothing",
    ),
    ("5", "water and temperature sensors", "close to the counter, in the same stream"),
    ("6", "flow meter and back-pressure valve", "behind the counter, so that it stands under pressure"),
    ("7", "bottle port with cap", "before the counter, short and upright, flushed before filling"),
    ("8", "valve manifolds, sampling and return", "close to the edge, lines as short as can be"),
    ("9", "electronics box, IP65", "above and beside all fluid, glands at the bottom"),
    ("10", "stop button", "reachable without leaning over the pump"),
    ("11", "power supply, mains side closed", "fitted and tested by a licensed electrician"),
    ("12", "earth stud, bonds tray, frame, motor", "protective earth, and takes static charge away"),
)


def skid_sheet() -> str:
    """SVG of the front view with numbered places and a legend."""
    s = Sheet(1330, 820, "Mechanical sketch of the skid", "Front view of the frame with numbered places.")
    s.label(20, 34, "Mechanical sketch of the skid, front view", 20, bold=True)
    s.label(
        20,
        56,
        "About 800 mm wide, 400 mm deep, 900 mm high. Not to scale; distances follow from the lines' sizing.",
        12,
    )
    # frame and tray
    s.box(60, 90, 14, 610, fill="#d8d8d8")
    s.box(626, 90, 14, 610, fill="#d8d8d8")
    s.box(60, 90, 580, 12, fill="#d8d8d8")
    s.polygon(
        (40, 660),
        (52, 712),
        (648, 712),
        (660, 660),
        (640, 660),
        (634, 694),
        (66, 694),
        (60, 660),
        fill="#eeeeee",
    )
    for x in (90, 610):
        s.box(x - 16, 712, 32, 10, fill="#bbbbbb")
    # pump, motor, guard
    s.box(100, 606, 110, 60, fill="#dfe9f3", radius=6)
    s.label(155, 641, "motor", 12, "middle")
    s.box(210, 616, 34, 40, fill="none", dash="4 3")
    s.box(244, 600, 64, 70, fill="#dfe9f3")
    s.label(276, 641, "pump", 12, "middle")
    s.box(90, 670, 236, 10, fill="#cccccc")
    # outlet block
    s.line((308, 630), (352, 630), (352, 570), width=4)
    s.box(332, 530, 40, 40, fill="#f4e3cf")
    s.circle(352, 508, 20)
    arrow_head(s, 364, 496, -45)
    s.line((340, 520), (362, 498))
    # bottle port
    s.line((352, 590), (410, 590), (410, 610), width=4)
    s.polygon((400, 610), (420, 610), (420, 650), (400, 650), fill="white")
    # counter, sensors upright
    s.line((352, 550), (440, 550), (440, 520), width=4)
    s.box(416, 430, 48, 90, fill="#e6f2e3")
    arrow_head(s, 440, 452, -90, 14)
    s.line((440, 500), (440, 454), width=2)
    s.line((440, 430), (440, 404), width=4)
    s.box(420, 364, 40, 40, fill="#efe4f7")
    s.line((440, 364), (440, 340), (500, 340), (500, 400), width=4)
    # meter and back-pressure valve going down
    s.box(480, 400, 40, 50, fill="#fdf3d0")
    s.line((500, 450), (500, 480), width=4)
    s.box(480, 480, 40, 36, fill="#fdf3d0")
    s.line((500, 516), (500, 560), (566, 560), width=4)
    # manifolds at the right
    s.box(566, 470, 48, 190, fill="#e3eefb")
    for i in range(4):
        s.line((614, 490 + i * 22), (680, 490 + i * 22), width=3)
        s.line((614, 590 + i * 18), (680, 590 + i * 18), width=3)
    s.label(688, 528, "from the taps", 12)
    s.label(688, 622, "back to the machines", 12)
    s.line((590, 660), (590, 684), (270, 684), (270, 670), width=4)
    # electronics, supply, stop button
    s.box(100, 130, 250, 190, fill="#f2f2f2", radius=6)
    s.label(225, 230, "electronics box", 13, "middle")
    for x in (130, 165, 200, 235, 270, 305):
        s.box(x - 7, 320, 14, 12, fill="#bbbbbb")
    s.box(390, 130, 130, 120, fill="#f2f2f2", radius=6)
    s.label(455, 188, "24 V supply,", 12, "middle")
    s.label(455, 206, "mains inside", 12, "middle")
    s.circle(572, 170, 26, fill="#f6c9c4")
    s.label(572, 175, "STOP", 12, "middle", bold=True)
    s.circle(84, 640, 8, fill="#dcefd8")
    s.line((78, 640), (90, 640))
    s.line((81, 644), (87, 644))
    for text, x, y in (
        ("1", 200, 703), ("2", 180, 592), ("3", 318, 508), ("4", 404, 480), ("5", 404, 384), ("6", 536, 430),
        ("7", 434, 636), ("8", 590, 458), ("9", 112, 148), ("10", 612, 150), ("11", 404, 148),
        ("12", 100, 622),
    ):  # fmt: skip
        s.circle(x, y, 11, fill="#fff6c8")
        s.label(x, y + 4, text, 11, "middle", bold=True)
    s.label(870, 112, "Places", 13, bold=True)
    for i, (n, what, why) in enumerate(PLACES):
        y = 138 + i * 44
        s.circle(882, y - 4, 11, fill="#fff6c8")
        s.label(882, y, n, 11, "middle", bold=True)
        s.label(902, y, what, 12.5)
        s.label(902, y + 17, why, 11)
    notes = (
        "Nothing that carries fluid stands above or inside the electronics box. Hoses are rated for the",
        "highest pressure that a failed reducer lets through, are not bent below their least radius, and are",
        "led away from edges, hot pipes and hands. Room in front to work; two lifting points at the top.",
    )
    for i, text in enumerate(notes):
        s.label(20, 760 + 19 * i, text, 12.5)
    return s.text()
