"""What all pictures share: colours, type, time axis, and turning a figure into SVG for a page.

Colours are from Okabe and Ito's set for colour-blind readers ("Color Universal Design", 2008); nothing is
said by colour alone: limits are dashed, what is not believed is hollow, lines carry their names.
"""

import io
import re
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

BLUE, ORANGE, GREEN, VERMILION, BLACK, GREY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#111111", "#6b6b6b"
WIDTH_IN = 7.6

_STYLE: Any = {
    "svg.fonttype": "none",  # text stays text: it can be searched, copied and read aloud
    "svg.hashsalt": "skidwright",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial", "sans-serif"],
    "font.size": 9,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.labelsize": 9,
    "axes.titlesize": 9.5,
    "axes.titlelocation": "left",
    "xtick.major.width": 0.7,
    "ytick.major.width": 0.7,
    "lines.linewidth": 1.1,
    "hatch.linewidth": 0.4,
    "path.simplify": True,
}


def figure(height_in: float, rows: int, heights: list[float] | None = None) -> "tuple[Figure, list[Axes]]":
    """A figure of `rows` panels one below the other that share the time axis."""
    import matplotlib
    from matplotlib.figure import Figure

    matplotlib.rcParams.update(_STYLE)
    made = Figure(figsize=(WIDTH_IN, height_in))
    # Fixed margins: a layout that looks for its own takes a third of the time of a whole report.
    margins = {"left": 0.72 / WIDTH_IN, "right": 1 - 0.08 / WIDTH_IN, "hspace": 0.13}
    margins |= {"top": 1 - 0.2 / height_in, "bottom": 0.42 / height_in}
    axes = made.subplots(rows, 1, sharex=True, squeeze=False, height_ratios=heights, gridspec_kw=margins)
    return made, [row[0] for row in axes]


def to_svg(made: "Figure", name: str, alt: str) -> str:
    """The figure as an `<svg>` element whose ids all begin with `name`, labelled `alt` for screen readers.

    The same figure gives the same bytes: no date, no version, no random ids.
    """
    from html import escape

    text = io.StringIO()
    made.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.S)
    svg = re.sub(r'\bid="', f'id="{name}-', svg)
    svg = svg.replace("url(#", f"url(#{name}-").replace('href="#', f'href="#{name}-')
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    return svg.replace("<svg", f'<svg role="img" aria-label="{escape(alt)}"', 1)


def days(when: NDArray[np.datetime64]) -> NDArray[np.float64]:
    """Times as days since 1970-01-01 UTC, which is what the time axis counts in; NaN for NaT."""
    whole = when.astype("datetime64[ms]").astype(np.int64).astype(np.float64) / 86_400_000
    whole[np.isnat(when)] = np.nan
    return whole


def time_axis(axis: "Axes", start: float, end: float) -> None:
    """Label the shared time axis, which runs from `start` to `end` in days, with its dates in UTC."""
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    pad = max((end - start) * 0.015, 1 / 1440)
    axis.set_xlim(start - pad, end + pad)
    locator = AutoDateLocator(minticks=4, maxticks=9)  # type: ignore[no-untyped-call]
    axis.xaxis.set_major_locator(locator)
    formatter = ConciseDateFormatter(  # type: ignore[no-untyped-call]
        locator,
        formats=["%Y", "%b %Y", "%d %b", "%H:%M", "%H:%M", "%H:%M:%S"],
        zero_formats=["", "%Y", "%d %b", "%d %b", "%H:%M", "%H:%M"],
        offset_formats=["", "", "", "", "", ""],
        show_offset=False,
    )
    axis.xaxis.set_major_formatter(formatter)
    first, last = (np.datetime64(int(np.floor(day)), "D") for day in (start, end))
    axis.set_xlabel(f"{first} to {last}, UTC" if first != last else f"{first}, UTC")


def limit(axis: "Axes", value: float, text: str, beyond: str = "above") -> None:
    """Draw a limit as a dashed line with its name at the left, and hatch the side that is not wanted."""
    low, high = axis.get_ylim()
    axis.axhline(value, color=VERMILION, linestyle=(0, (5, 2.5)), linewidth=1.1, zorder=2.5)
    outer = (value, max(high, value)) if beyond == "above" else (min(low, value), value)
    axis.axhspan(*outer, facecolor="none", edgecolor="#d9b8a6", hatch="////", linewidth=0, zorder=0.5)
    axis.annotate(
        text,
        (0, value),
        xycoords=("axes fraction", "data"),
        xytext=(3, 2 if beyond == "above" else -3),
        textcoords="offset points",
        va="bottom" if beyond == "above" else "top",
        fontsize=8.5,
        color="#8a3a00",
        zorder=1.8,  # below the samples: a name may hide none of them
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.8, "alpha": 0.85},
    )
