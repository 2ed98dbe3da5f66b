"""A sheet of SVG: lines, shapes and text in a fixed style, the same bytes every time."""

from __future__ import annotations

from html import escape

FONT = "DejaVu Sans, Arial, sans-serif"


def number(value: float) -> str:
    """A coordinate with at most two decimals and no trailing zeros."""
    return f"{value:.2f}".rstrip("0").rstrip(".") or "0"


class Sheet:
    """Collects shapes; `text()` gives the SVG. Coordinates in units, y downwards.

    A unit is a pixel, or `mm_per_unit` of paper where a drawing is to scale.
    """

    def __init__(
        self, width: float, height: float, title: str, description: str, mm_per_unit: float | None = None
    ) -> None:
        self.width, self.height, self.mm_per_unit = width, height, mm_per_unit
        self._parts: list[str] = []
        self._head = (title, description)

    def add(self, element: str) -> None:
        """Add a finished SVG element."""
        self._parts.append(element)

    def line(
        self, *points: tuple[float, float], width: float = 1.4, dash: str = "", colour: str = "black"
    ) -> None:
        """A line through points."""
        path = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.add(
            f'<polyline points="{path}" fill="none" stroke="{colour}" '
            f'stroke-width="{number(width)}"{dashed}/>'
        )

    def polygon(self, *points: tuple[float, float], fill: str = "none", width: float = 1.4) -> None:
        """A closed shape."""
        path = " ".join(f"{number(x)},{number(y)}" for x, y in points)
        self.add(f'<polygon points="{path}" fill="{fill}" stroke="black" stroke-width="{number(width)}"/>')

    def box(
        self, x: float, y: float, w: float, h: float, fill: str = "white", dash: str = "", radius: float = 0
    ) -> None:
        """A rectangle by its upper left corner."""
        dashed = f' stroke-dasharray="{dash}"' if dash else ""
        self.add(
            f'<rect x="{number(x)}" y="{number(y)}" width="{number(w)}" height="{number(h)}" '
            f'rx="{number(radius)}" fill="{fill}" stroke="black" stroke-width="1.4"{dashed}/>'
        )

    def circle(self, x: float, y: float, r: float, fill: str = "white") -> None:
        """A circle by its centre."""
        self.add(
            f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(r)}" fill="{fill}" stroke="black" '
            'stroke-width="1.4"/>'
        )

    def dot(self, x: float, y: float) -> None:
        """A junction."""
        self.add(f'<circle cx="{number(x)}" cy="{number(y)}" r="3" fill="black"/>')

    def label(
        self, x: float, y: float, text: str, size: float = 12, anchor: str = "start", bold: bool = False
    ) -> None:
        """Text; `y` is the baseline, `anchor` start, middle or end."""
        weight = ' font-weight="bold"' if bold else ""
        self.add(
            f'<text x="{number(x)}" y="{number(y)}" font-size="{number(size)}" '
            f'text-anchor="{anchor}"{weight}>'
            f"{escape(text)}</text>"
        )

    def text(self) -> str:
        """The finished SVG."""
        title, description = (escape(t) for t in self._head)
        w, h = number(self.width), number(self.height)
        size = (w, h)
        if self.mm_per_unit:
            size = (f"{self.width * self.mm_per_unit:g}mm", f"{self.height * self.mm_per_unit:g}mm")
        lines = [
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {w} {h}" width="{size[0]}" '
            f'height="{size[1]}" role="img" font-family="{FONT}">',
            f"<title>{title}</title>",
            f"<desc>{description}</desc>",
            f'<rect width="{w}" height="{h}" fill="white"/>',
            *self._parts,
            "</svg>",
        ]
        return "\n".join(lines) + "\n"
