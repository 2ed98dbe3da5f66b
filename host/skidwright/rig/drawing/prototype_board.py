"""Where the parts sit on a prototype board of 2.54 mm holes, to scale (print at 100 %).

Parts of a block are kept together; connectors stand along the edges, the pump's transistor, diode and
capacitors side by side. Joints are made underneath with wire, by the netlist.
"""

from __future__ import annotations

from dataclasses import dataclass

from skidwright.rig.circuit.model import KINDS, Block, Circuit, CircuitPart

from ..wiring.model import Connector, Wiring
from .sheet import Sheet

HOLE_MM = 2.54
WIDTH_MM, HEIGHT_MM = 233.0, 233.0
_PER_MM = 96 / 25.4
# Storage in holes (across, down), by kind: body and its neighbours' clearance.
_ROOM = {
    "resistor": (5, 1), "capacitor": (3, 1), "diode": (4, 1), "zener": (4, 1), "schottky": (4, 1),
    "clamp": (3, 2), "electrolytic": (5, 5), "suppressor": (6, 2), "suppressor_both": (6, 3), "fuse": (10, 4),
    "resettable_fuse": (4, 2), "relay": (12, 8), "nmos": (5, 3), "pmos": (5, 3), "nmos_small": (4, 3),
    "gate_driver": (5, 4), "driver_array": (11, 4), "comparator": (3, 3), "optocoupler": (4, 4),
    "converter": (8, 5), "board": (21, 9), "transceiver": (8, 6),
}  # fmt: skip
_SHADES = {
    "supply_entry": "#f9e3c9", "board_supply": "#e8e8e8", "stop_chain": "#f9dede", "pump_driver": "#f9dede",
    "valve_outputs": "#e5f3e1", "driver_array": "#e5f3e1", "lamps": "#e5f3e1", "comparator": "#e3eefb",
    "optocoupler": "#fde9d6", "loop_input": "#efe4f7", "thermistor": "#efe4f7", "on_the_board": "#f2f2f2",
    "rs485": "#f2f2f2",
}  # fmt: skip


@dataclass(frozen=True)
class Place:
    """A part's rectangle in holes from the upper left corner: column, row, holes across and down."""

    ref: str
    block: str
    column: int
    row: int
    across: int
    down: int


def _wide(connector: Connector) -> int:
    # 5 mm pitch terminals take two holes each.
    return 2 * len(connector.terminals) + 1


def places(circuit: Circuit, wiring: Wiring) -> list[Place]:
    """Every part and connector of the board. Raises ValueError when they do not fit."""
    columns, rows = int(WIDTH_MM / HOLE_MM) - 2, int(HEIGHT_MM / HOLE_MM) - 2
    found: list[Place] = []
    # Connectors: along the upper edge from the left, then along the lower one, in a second row if need be.
    x, edge, last = 2, 1, rows
    for c in wiring.connectors:
        if x + _wide(c) > columns:
            last -= 5
            x, edge = 2, last
        found.append(Place(c.id, "terminals", x, edge, _wide(c), 4))
        x += _wide(c) + 1
    # Power blocks first, near J1 to J3; the others by height. Each goes on the first shelf with room for it.
    first = ("pump_driver", "stop_chain", "supply_entry")
    made = [(block, *_block(block)) for block in circuit.blocks]
    made.sort(key=lambda m: (m[0].name not in first, -m[3]))
    shelves: list[list[int]] = []  # upper row, height, next free column
    for block, parts, across, down in made:
        shelf = next((s for s in shelves if down <= s[1] and s[2] + across <= columns), None)
        if shelf is None:
            shelf = [shelves[-1][0] + shelves[-1][1] + 1 if shelves else 7, down, 2]
            shelves.append(shelf)
        if shelf[0] + down > last - 1:
            raise ValueError(f"the board is too small: {block.name} does not fit")
        found += [
            Place(p.ref, p.block, p.column + shelf[2], p.row + shelf[0], p.across, p.down) for p in parts
        ]
        shelf[2] += across + 1
    return found


def _room(part: CircuitPart) -> tuple[int, int]:
    # A diode for the motor's current has a transistor's housing.
    return _ROOM["nmos"] if part.kind == "schottky" and part.bears > 5 else _ROOM[part.kind]


def _block(block: Block) -> tuple[list[Place], int, int]:
    """Parts of a block in rows of about equal width; the rectangle they take."""
    area = sum((a + 1) * (d + 1) for a, d in map(_room, block.parts))
    limit = max(int((area * 2.0) ** 0.5), max(_room(p)[0] for p in block.parts) + 1)
    made, x, y, tall, widest = [], 0, 0, 0, 0
    for part in sorted(block.parts, key=lambda p: -_room(p)[1]):
        across, down = _room(part)
        if x and x + across > limit:
            x, y, tall = 0, y + tall + 1, 0
        made.append(Place(part.ref, block.name, x, y, across, down))
        x, tall = x + across + 1, max(tall, down)
        widest = max(widest, x)
    return made, widest, y + tall + 1


def board_layout(circuit: Circuit, wiring: Wiring) -> str:
    """SVG to scale of the prototype board."""
    kinds = {p.ref: p for p in circuit.parts}
    mm = _PER_MM
    top = 70.0
    sheet = Sheet(
        WIDTH_MM * mm + 40,
        HEIGHT_MM * mm + top + 60,
        "Prototype board, to scale",
        "Places of all parts on a board of 2.54 mm holes, seen from above.",
    )
    sheet.label(20, 30, "Prototype board, seen from above, to scale", 18, bold=True)
    sheet.label(
        20,
        52,
        f"{WIDTH_MM:g} x {HEIGHT_MM:g} mm, holes every {HOLE_MM:g} mm. Print at 100 %. Joints by "
        "hardware/skid.net; parts of one colour and neighbourhood are one block.",
        12,
    )
    sheet.box(20, top, WIDTH_MM * mm, HEIGHT_MM * mm, fill="#fbfbf4")
    step = HOLE_MM * mm
    dots = "".join(
        f"M{20 + step * (c + 1):.1f} {top + step * (r + 1):.1f}h0"
        for r in range(int(HEIGHT_MM / HOLE_MM) - 1)
        for c in range(int(WIDTH_MM / HOLE_MM) - 1)
    )
    sheet.add(f'<path d="{dots}" stroke="#c9c9b8" stroke-width="1.6" stroke-linecap="round" fill="none"/>')
    for p in places(circuit, wiring):
        x, y = 20 + step * (p.column + 0.5), top + step * (p.row + 0.5)
        w, h = step * p.across, step * p.down
        sheet.box(x, y, w, h, fill=_SHADES.get(p.block, "#ffffff"), radius=1.5)
        _words(sheet, p, kinds.get(p.ref), x, y, w, h)
    bar_y = top + HEIGHT_MM * mm + 26
    sheet.line((20, bar_y), (20 + 100 * mm, bar_y), width=2)
    for n in range(11):
        sheet.line((20 + 10 * n * mm, bar_y - 5), (20 + 10 * n * mm, bar_y + 5))
    sheet.label(28 + 100 * mm, bar_y + 4, "100 mm: measure it on the print before you drill", 11)
    return sheet.text()


def _words(sheet: Sheet, p: Place, part: CircuitPart | None, x: float, y: float, w: float, h: float) -> None:
    size = 7.0 if len(p.ref) * 4.6 < w else 5.6
    if part is None:
        sheet.label(x + w / 2, y + h / 2 + 4, p.ref, 11, "middle", bold=True)
        return
    sheet.label(x + w / 2, y + h / 2 + size * 0.36, p.ref, size, "middle")
    if h > 30 and w > 60:
        sheet.label(x + w / 2, y + h / 2 + 13, KINDS[part.kind].title[: int(w / 4.2)], 6.5, "middle")
