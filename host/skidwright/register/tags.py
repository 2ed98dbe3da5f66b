"""Tags for machines: a QR code with what identifies the machine, as sheets of labels to print.

The code is ISO/IEC 18004 with error correction level Q: a quarter of it may be lost to oil and scratches.
A sheet is an SVG in millimetres; the HTML file holds all sheets, one a printed page.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import segno

from skidwright.formulas.iso4406 import format_code
from skidwright.register.model import AssetRecord

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
_MARGIN_MM = 12.0
_TAG_MM = (90.0, 44.0)
_QUIET = 4  # modules of white around a code, as the standard asks
_FONT = "font-family=\"Helvetica, Arial, 'Liberation Sans', sans-serif\""
_LINE_CHARACTERS = 26


@dataclass(frozen=True)
class Tag:
    """What is on one tag: the text in its code, and the lines beside it."""

    content: str
    heading: str
    lines: tuple[str, ...]


def tag_of(record: AssetRecord, link: str = "") -> Tag:
    """The tag of an asset. With `link` its code holds that address, `{number}` in it filled in."""
    lines = [record.machine, record.fluid]
    if record.target:
        lines.append(f"target ISO 4406 {format_code(record.target)}")
    if record.water_limit_percent is not None:
        lines.append(f"water up to {record.water_limit_percent:g} %")
    if record.sampling_point:
        lines.append(f"sample: {record.sampling_point}")
    shown = tuple(line for line in lines if line)
    heading = f"{record.number}  {record.name}".strip()
    content = (
        link.replace("{number}", str(record.number))
        if link
        else "\n".join([f"skidwright asset {record.number}", *filter(None, [record.name, record.machine])])
    )
    return Tag(content, heading, shown)


def sheets(tags: Sequence[Tag], paper: str = "a4") -> list[str]:
    """SVG sheets of `paper` (a key of PAPERS_MM) with all tags. ValueError for a content no code can hold."""
    width, height = PAPERS_MM[paper]
    across = int((width - 2 * _MARGIN_MM) // _TAG_MM[0])
    down = int((height - 2 * _MARGIN_MM) // _TAG_MM[1])
    per_sheet = across * down
    left = (width - across * _TAG_MM[0]) / 2
    made = []
    for start in range(0, len(tags), per_sheet):
        parts = [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}mm" height="{height:g}mm" '
            f'viewBox="0 0 {width:g} {height:g}">'
        ]
        for place, tag in enumerate(tags[start : start + per_sheet]):
            row, column = divmod(place, across)
            parts.append(_drawn(tag, left + column * _TAG_MM[0], _MARGIN_MM + row * _TAG_MM[1]))
        made.append("\n".join([*parts, "</svg>\n"]))
    return made


def page(tags: Sequence[Tag], paper: str = "a4") -> str:
    """One HTML file with all sheets, which prints on `paper` without margins of the browser's."""
    width, height = PAPERS_MM[paper]
    style = (
        f"@page {{ size: {width:g}mm {height:g}mm; margin: 0 }}\n"
        "body { margin: 0 } svg { display: block; break-after: page } svg:last-child { break-after: auto }"
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>Machine tags</title>\n'
        f"<style>{style}</style></head><body>\n{''.join(sheets(tags, paper))}</body></html>\n"
    )


def _drawn(tag: Tag, x: float, y: float) -> str:
    width, height = _TAG_MM
    code = segno.make_qr(tag.content, error="q", boost_error=False)
    matrix = [bytes(row) for row in code.matrix]
    size = height - 4
    module = size / (len(matrix) + 2 * _QUIET)
    path = "".join(
        f"M{start + _QUIET} {at + _QUIET}h{length}v1h-{length}z"
        for at, row in enumerate(matrix)
        for start, length in _runs(row)
    )
    text_x = x + size + 3
    room = width - size - 5
    parts = [
        f'<rect x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}" fill="#fff" stroke="#999" '
        'stroke-width="0.2" stroke-dasharray="1 1"/>',
        f'<path transform="translate({x + 2:.3f} {y + 2:.3f}) scale({module:.6f})" d="{path}" fill="#000" '
        'shape-rendering="crispEdges"/>',
        _text(tag.heading, text_x, y + 9, 4.2, room, bold=True),
    ]
    at = y + 15
    for line in tag.lines:
        for piece in _wrapped(line)[:2]:
            if at < y + height - 2:
                parts.append(_text(piece, text_x, at, 3.0, room))
                at += 4
    return "\n".join(parts)


def _text(text: str, x: float, y: float, size: float, room: float, bold: bool = False) -> str:
    # About 0.6 of its height is the width of a letter: longer lines are pressed together, never cut off.
    fit = f' textLength="{room:g}" lengthAdjust="spacingAndGlyphs"' if len(text) * size * 0.6 > room else ""
    weight = ' font-weight="bold"' if bold else ""
    return f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" {_FONT}{weight}{fit}>{escape(text)}</text>'


def _wrapped(line: str) -> list[str]:
    """`line` in pieces that fit a tag, broken between words."""
    pieces = [""]
    for word in line.split():
        if pieces[-1] and len(pieces[-1]) + 1 + len(word) > _LINE_CHARACTERS:
            pieces.append(word)
        else:
            pieces[-1] = f"{pieces[-1]} {word}".strip()
    return pieces


def _runs(row: bytes) -> list[tuple[int, int]]:
    """Start and length of each run of dark modules in a row of a code."""
    runs: list[tuple[int, int]] = []
    for place, dark in enumerate(row):
        if not dark:
            continue
        if runs and sum(runs[-1]) == place:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1)
        else:
            runs.append((place, 1))
    return runs
