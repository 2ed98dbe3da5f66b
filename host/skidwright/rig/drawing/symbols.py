"""Graphic symbols of fluid power in the style of ISO 1219-1; flow runs from left to right unless said so.

Each takes the sheet and the symbol's centre, and leaves its ports on the horizontal through the centre; the
port's distance from the centre is the function's second line of documentation.
"""

from __future__ import annotations

import math

from .sheet import Sheet


def shut_off_valve(s: Sheet, x: float, y: float) -> None:
    """Manual shut-off valve: two triangles, tip to tip.

    Ports at 14.
    """
    s.polygon((x - 14, y - 9), (x, y), (x - 14, y + 9))
    s.polygon((x + 14, y - 9), (x, y), (x + 14, y + 9))


def check_valve(s: Sheet, x: float, y: float) -> None:
    """Non-return valve: a ball before its seat; free from left to right.

    Ports at 12.
    """
    s.line((x + 4, y - 12), (x - 8, y), (x + 4, y + 12))
    s.circle(x, y, 5.6)
    s.line((x - 12, y), (x - 8, y))
    s.line((x + 5.6, y), (x + 12, y))


def strainer(s: Sheet, x: float, y: float) -> None:
    """Strainer: a square on its corner with a dashed line across.

    Ports at 18.
    """
    s.polygon((x - 18, y), (x, y - 18), (x + 18, y), (x, y + 18), fill="white")
    s.line((x, y - 18), (x, y + 18), dash="4 3")


def pump(s: Sheet, x: float, y: float) -> None:
    """Pump of fixed displacement, one direction, driven by an electric motor above.

    Ports at 22; the motor's centre is 74 above.
    """
    s.circle(x, y, 22)
    s.polygon((x + 22, y), (x + 8, y - 8), (x + 8, y + 8), fill="black")
    s.line((x - 2.5, y - 22), (x - 2.5, y - 52))
    s.line((x + 2.5, y - 22), (x + 2.5, y - 52))
    s.circle(x, y - 74, 22)
    s.label(x, y - 68, "M", 17, "middle", bold=True)


def spring(s: Sheet, x: float, y: float, up: bool = False) -> None:
    """A spring that starts at a point and goes right (or up)."""
    points = [(0.0, 0.0), (3.0, -5.0), (8.0, 5.0), (13.0, -5.0), (18.0, 5.0), (21.0, 0.0)]
    s.line(*((x - b, y - a) if up else (x + a, y + b) for a, b in points), width=1.2)


def arrow_head(s: Sheet, x: float, y: float, angle_deg: float, size: float = 8) -> None:
    """A filled arrow head with its tip at a point, pointing along an angle (0 right, 90 down)."""
    a = math.radians(angle_deg)
    back = [
        (
            x - size * math.cos(a) + side * size * 0.42 * math.sin(a),
            y - size * math.sin(a) - side * size * 0.42 * math.cos(a),
        )
        for side in (-1, 1)
    ]
    s.polygon((x, y), back[0], back[1], fill="black", width=0.8)


def relief_valve_down(s: Sheet, x: float, y: float) -> None:
    """Pressure relief valve, from above to below: closed, opened by its inlet pressure against a spring.

    Ports at 18, vertical.
    """
    s.box(x - 18, y - 18, 36, 36)
    s.line((x - 7, y - 18), (x - 7, y + 12))
    arrow_head(s, x - 7, y + 15, 90)
    spring(s, x + 18, y)
    s.line((x, y - 26), (x - 28, y - 26), (x - 28, y), (x - 18, y), dash="4 3", width=1.1)


def back_pressure_valve(s: Sheet, x: float, y: float) -> None:
    """Back-pressure valve in the line: closed, opened by its inlet pressure against a spring.

    Ports at 18.
    """
    s.box(x - 18, y - 18, 36, 36)
    s.line((x - 18, y + 7), (x + 12, y + 7))
    arrow_head(s, x + 15, y + 7, 0)
    spring(s, x, y - 18, up=True)
    s.line((x - 26, y), (x - 26, y + 28), (x, y + 28), (x, y + 18), dash="4 3", width=1.1)


def pressure_reducer(s: Sheet, x: float, y: float) -> None:
    """Pressure reducing valve: open, closed by its outlet pressure against a spring.

    Ports at 18.
    """
    s.box(x - 18, y - 18, 36, 36)
    s.line((x - 18, y), (x + 12, y))
    arrow_head(s, x + 15, y, 0)
    spring(s, x, y - 18, up=True)
    s.line((x + 26, y), (x + 26, y + 28), (x, y + 28), (x, y + 18), dash="4 3", width=1.1)


def solenoid_valve(s: Sheet, x: float, y: float) -> None:
    """2/2 directional valve, closed at rest, solenoid against spring; the square at rest has the ports.

    Ports at 15; the symbol reaches from 51 above to 37 below.
    """
    s.box(x - 15, y - 15, 30, 30)
    for side in (-1, 1):
        s.line((x + side * 15, y), (x + side * 8, y))
        s.line((x + side * 8, y - 6), (x + side * 8, y + 6))
    s.box(x - 15, y - 45, 30, 30)
    s.line((x - 15, y - 30), (x + 9, y - 30))
    arrow_head(s, x + 14, y - 30, 0)
    s.box(x - 9, y - 59, 18, 14)
    s.line((x - 9, y - 48), (x + 9, y - 56))
    s.line(
        (x, y + 15),
        (x - 5, y + 18),
        (x + 5, y + 23),
        (x - 5, y + 28),
        (x + 5, y + 33),
        (x, y + 36),
        width=1.2,
    )


def reservoir(s: Sheet, x: float, y: float, width: float = 60) -> None:
    """Reservoir open to the air; the centre is in the middle of its bottom."""
    s.line((x - width / 2, y - 22), (x - width / 2, y), (x + width / 2, y), (x + width / 2, y - 22))


def gauge(s: Sheet, x: float, y: float) -> None:
    """Pressure gauge on a stub from below.

    Port at 16 below.
    """
    s.circle(x, y, 16)
    s.line((x - 8, y + 8), (x + 6, y - 6))
    arrow_head(s, x + 9, y - 9, -45)


def pressure_switch(s: Sheet, x: float, y: float) -> None:
    """Pressure switch on a stub from below: spring, and a contact that opens.

    Port at 15 below.
    """
    s.box(x - 17, y - 15, 34, 30)
    s.line((x - 11, y + 4), (x - 3, y + 4))
    s.line((x - 3, y + 4), (x + 9, y - 5))
    s.line((x + 6, y + 4), (x + 12, y + 4))
    s.line((x + 6, y + 4), (x + 6, y - 2))
    spring(s, x, y - 15, up=True)


def flow_meter(s: Sheet, x: float, y: float) -> None:
    """Flow meter: circle with the two arcs of the metering point and an output triangle.

    Ports at 18.
    """
    s.circle(x, y, 18)
    s.line((x - 18, y), (x + 18, y), width=1.1)
    for side in (-1, 1):
        s.add(
            f'<path d="M {x - 9} {y + side * 11} Q {x} {y + side * 2} {x + 9} {y + side * 11}" fill="none" '
            'stroke="black" stroke-width="1.4"/>'
        )


def thermometer(s: Sheet, x: float, y: float) -> None:
    """Temperature measurement on a stub from below.

    Port at 16 below.
    """
    s.circle(x, y, 16)
    s.line((x, y - 9), (x, y + 5))
    s.circle(x, y + 8, 3.2, fill="black")


def instrument(s: Sheet, x: float, y: float, letters: str) -> None:
    """An instrument without a symbol of its own in the line: a square with letters and an output triangle.

    Ports at 22.
    """
    s.box(x - 22, y - 22, 44, 44)
    s.label(x, y + 6, letters, 16, "middle", bold=True)
    s.polygon((x + 8, y - 22), (x + 16, y - 22), (x + 12, y - 29), fill="black")
