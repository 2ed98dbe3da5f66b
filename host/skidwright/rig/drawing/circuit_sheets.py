"""The whole circuit drawn from circuit.toml: each part with its symbol, reference, value, and the net at
each pin.

Nets of the same name are one net; that is how a schematic of many sheets is joined. Nothing is drawn by hand
here, so a sheet cannot differ from the netlist.
"""

from __future__ import annotations

from skidwright.rig.circuit.model import KINDS, Block, Circuit, CircuitPart

from .sheet import Sheet

_CELL_W, _LINE = 420.0, 46.0
# Of bold text of 16 px, as Chromium draws it: 9.6 a letter.
_TITLE_CHAR_W = 9.8
_PIN = 17.0
_UNITS = {
    "resistor": "ohm", "resettable_fuse": "ohm cold", "capacitor": "F", "electrolytic": "F", "zener": "V",
    "suppressor": "V", "suppressor_both": "V", "fuse": "A", "relay": "ohm",
}  # fmt: skip
_PREFIXES = ((1e6, "M"), (1e3, "k"), (1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"), (1e-12, "p"))


def value_words(part: CircuitPart) -> str:
    """A part's value with its unit: "4.7 kohm", "22 pF", "" where it has none."""
    if not part.value or part.kind not in _UNITS:
        return ""
    unit = _UNITS[part.kind]
    factor, prefix = next(x for x in _PREFIXES if part.value >= x[0] * 0.999)
    return f"{part.value / factor:.4g} {prefix}{unit}"


def circuit_sheets(circuit: Circuit) -> dict[str, str]:
    """SVG by file name, one for each block; of a block built for many signals the first, and a table of
    all.
    """
    by_name: dict[str, list[Block]] = {}
    for block in circuit.blocks:
        by_name.setdefault(block.name, []).append(block)
    return {f"circuit_{name}.svg": _sheet(blocks) for name, blocks in by_name.items()}


def _height(part: CircuitPart) -> float:
    return _LINE if len(part.pins) == 2 else 26 + _PIN * max(len(s) for s in _sides(part)) + 14


def _sides(part: CircuitPart) -> tuple[list[str], list[str]]:
    pins = list(part.pins)
    half = (len(pins) + 1) // 2
    if part.kind == "driver_array":
        return pins[:8], pins[8:]
    if part.kind == "board":
        return pins[:20], pins[20:][::-1]
    return pins[:half], pins[half:]


def _sheet(blocks: list[Block]) -> str:
    first = blocks[0]
    parts = list(first.parts)
    columns = 1 if len(parts) < 5 else 2 if len(parts) < 13 else 3
    total = sum(_height(p) for p in parts)
    split: list[list[CircuitPart]] = [[] for _ in range(columns)]
    heights = [0.0] * columns
    column = 0
    for p in parts:
        if (
            heights[column] > 0
            and heights[column] + _height(p) / 2 > total / columns
            and column < columns - 1
        ):
            column += 1
        split[column].append(p)
        heights[column] += _height(p)
    table = 40 + 20 * len(blocks) if len(blocks) > 1 else 0
    title = first.title.partition(": turns")[0] if len(blocks) == 1 else first.title.rpartition(": ")[0]
    title = title or first.title
    width = max(columns * _CELL_W + 40, 640.0, 60 + _TITLE_CHAR_W * len(title))
    sheet = Sheet(
        width,
        76 + max(heights) + table + 20,
        title,
        "Parts with the nets at their pins; nets of one name are joined. Made from hardware/circuit.toml.",
    )
    sheet.label(20, 32, title, 16, bold=True)
    shown = f" Shown for {first.signal}; the others below." if len(blocks) > 1 else ""
    sheet.label(20, 54, f"Nets of one name are joined.{shown}", 11)
    for n, of_column in enumerate(split):
        y = 76.0
        for p in of_column:
            _part(sheet, p, 20 + n * _CELL_W, y)
            y += _height(p)
    if table:
        _instances(sheet, blocks, 76 + max(heights) + 20)
    return sheet.text()


def _instances(sheet: Sheet, blocks: list[Block], y: float) -> None:
    sheet.label(20, y, "signal", 11, bold=True)
    sheet.label(190, y, "references", 11, bold=True)
    for n, block in enumerate(blocks):
        line = y + 20 * (n + 1)
        sheet.label(20, line, block.signal, 11)
        sheet.label(190, line, " ".join(p.ref for p in block.parts), 11)


def _part(sheet: Sheet, part: CircuitPart, x: float, y: float) -> None:
    words = " ".join(w for w in (part.ref, value_words(part)) if w)
    if len(part.pins) != 2:
        _box(sheet, part, x, y, f"{part.ref}  {KINDS[part.kind].title}")
        return
    middle, left, right = y + 28, x + 150, x + 250
    (mark_a, net_a), (mark_b, net_b) = part.pins.items()
    sheet.label(x + 200, y + 10, words, 11, "middle", bold=True)
    sheet.line((left, middle), (left + 26, middle))
    sheet.line((right - 26, middle), (right, middle))
    sheet.label(left - 5, middle + 4, net_a or "open", 11, "end")
    sheet.label(right + 5, middle + 4, net_b or "open", 11)
    _symbol(sheet, part.kind, left + 26, right - 26, middle)
    if mark_a in "APN":
        sheet.label(left + 10, middle - 5, mark_a, 8.5, "middle")
        sheet.label(right - 10, middle - 5, mark_b, 8.5, "middle")


def _symbol(sheet: Sheet, kind: str, a: float, b: float, y: float) -> None:
    middle = (a + b) / 2
    if kind in ("resistor", "resettable_fuse", "fuse"):
        sheet.box(a, y - 7, b - a, 14)
        if kind == "fuse":
            sheet.line((a, y), (b, y))
        if kind == "resettable_fuse":
            sheet.line((a + 4, y + 11), (a + 12, y + 11), (b - 6, y - 11))
    elif kind in ("capacitor", "electrolytic"):
        sheet.line((a, y), (middle - 4, y))
        sheet.line((middle + 4, y), (b, y))
        sheet.line((middle - 4, y - 10), (middle - 4, y + 10), width=2)
        sheet.line((middle + 4, y - 10), (middle + 4, y + 10), width=2)
        if kind == "electrolytic":
            sheet.label(middle - 14, y - 6, "+", 10, "middle")
    else:
        sheet.line((a, y), (b, y))
        sheet.polygon((middle - 8, y - 8), (middle - 8, y + 8), (middle + 7, y), fill="white")
        x = middle + 7
        bars = {
            "zener": [(x + 4, y - 10), (x, y - 8), (x, y + 8), (x - 4, y + 10)],
            "suppressor": [(x + 4, y - 10), (x, y - 8), (x, y + 8), (x - 4, y + 10)],
            "suppressor_both": [(x + 4, y - 10), (x, y - 8), (x, y + 8), (x - 4, y + 10)],
            "schottky": [
                (x - 4, y - 5),
                (x - 4, y - 8),
                (x, y - 8),
                (x, y + 8),
                (x + 4, y + 8),
                (x + 4, y + 5),
            ],
        }
        sheet.line(*bars.get(kind, [(x, y - 8), (x, y + 8)]))


def _box(sheet: Sheet, part: CircuitPart, x: float, y: float, words: str) -> None:
    left, right = _sides(part)
    rows = max(len(left), len(right))
    box_x, box_w, top = x + 150, 100.0, y + 16
    sheet.label(x + 200, y + 10, words, 11, "middle", bold=True)
    sheet.box(box_x, top, box_w, rows * _PIN + 6)
    for n, pin in enumerate(left):
        line = top + 3 + _PIN * (n + 0.5)
        sheet.line((box_x - 14, line), (box_x, line))
        sheet.label(box_x + 4, line + 4, pin, 10)
        sheet.label(box_x - 18, line + 4, part.pins[pin] or "open", 11, "end")
    for n, pin in enumerate(right):
        line = top + 3 + _PIN * (n + 0.5)
        sheet.line((box_x + box_w, line), (box_x + box_w + 14, line))
        sheet.label(box_x + box_w - 4, line + 4, pin, 10, "end")
        sheet.label(box_x + box_w + 18, line + 4, part.pins[pin] or "open", 11)
