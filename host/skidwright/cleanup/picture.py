"""The picture of a clean-up run: particles and water over time with the fitted decay, floor and target."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from skidwright import drawing
from skidwright.cleanup.decay import Decay
from skidwright.cleanup.progress import CleanedQuantity, CleanupProgress, Samples, number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_MARKS = {
    ">=4 um(c)": ("o", drawing.BLUE),
    ">=6 um(c)": ("s", drawing.GREEN),
    ">=14 um(c)": ("^", drawing.BLACK),
}
_UNITS = ((2 * 3600.0, "min", 60.0), (5 * 86400.0, "h", 3600.0), (math.inf, "d", 86400.0))


def draw(samples: Samples, progress: CleanupProgress, title: str) -> Figure:
    """Particles of each channel on a logarithmic axis, water below it where it was asked for.

    Samples that do not count are hollow, targets dashed, fits full lines that end in their floors.
    """
    counted = [q for q in progress.quantities if q.name in _MARKS]
    water = [q for q in progress.quantities if q.name not in _MARKS]
    heights = [2.4] * bool(counted) + [1.0] * bool(water)
    made, axes = drawing.figure(1.0 + 1.35 * sum(heights), len(heights), heights)
    last = float(samples.time_s[-1]) if len(samples.time_s) else 0.0
    ends = [q.end.value for q in progress.quantities if q.end is not None and math.isfinite(q.end.value)]
    span = max(last, min(max(ends, default=0.0), 2.5 * last), 60.0) * 1.04
    _, unit, seconds = next(row for row in _UNITS if span < row[0])
    if counted:
        top = axes[0]
        top.set_yscale("log")
        for quantity in counted:
            column = list(_MARKS).index(quantity.name)
            _panel(top, quantity, span, seconds, *_MARKS[quantity.name], column)
            out = ~samples.valid & (samples.per_ml[:, column] > 0)
            _hollow(top, samples.time_s[out] / seconds, samples.per_ml[out, column], *_MARKS[quantity.name])
        lowest = min(min(q.limit, float(q.level.min())) if len(q.level) else q.limit for q in counted)
        top.set_ylim(bottom=0.25 * lowest)
        top.set_ylabel("particles per mL")
        _legend(top, bool((~samples.valid).any()))
        _plain_numbers(top)
    for quantity in water:
        low = axes[-1]
        _panel(low, quantity, span, seconds, "o", drawing.BLUE)
        if quantity.unit != "ppm":
            out = ~samples.dry_valid & np.isfinite(samples.water_percent)
            _hollow(low, samples.time_s[out] / seconds, samples.water_percent[out], "o", drawing.BLUE)
        low.set_ylabel(f"water, {quantity.unit}" if quantity.unit == "ppm" else "water, %\nof saturation")
        low.set_ylim(bottom=0)
    for axis in axes:
        axis.axvline(last / seconds, color=drawing.GREY, linewidth=0.7, linestyle=":")
    axes[-1].annotate(
        "newest sample", (last / seconds, 0), xycoords=("data", "axes fraction"), xytext=(-3, 3),
        textcoords="offset points", ha="right", va="bottom", fontsize=7.5, color=drawing.GREY,
    )  # fmt: skip
    axes[-1].set_xlim(0, span / seconds)
    axes[-1].set_xlabel(f"time since the run began, {unit}")
    axes[0].set_title(title)
    return made


def _panel(
    axis: Any, quantity: CleanedQuantity, span: float, seconds: float, mark: str, colour: str, place: int = 2
) -> None:
    axis.plot(quantity.time_s / seconds, quantity.level, mark, color=colour, markersize=3.4, linestyle="none",
              markeredgewidth=0.6)  # fmt: skip
    axis.axhline(quantity.limit, color=colour, linestyle=(0, (5, 2.5)), linewidth=0.9)
    unit = quantity.unit if quantity.unit == "ppm" else "per mL" if quantity.name in _MARKS else "%"
    axis.annotate(
        f"target {_size(quantity.name)}: {number(quantity.limit)} {unit}",
        (0, quantity.limit), xycoords=("axes fraction", "data"), xytext=(3, 2), textcoords="offset points",
        ha="left", va="bottom", fontsize=7.5, color=colour, zorder=1.5,  # below the samples
    )  # fmt: skip
    if isinstance(quantity.found, Decay):
        first = float(quantity.time_s[0])
        t = np.linspace(first, span, 300)
        axis.plot(t / seconds, quantity.found.at(t - first), color=colour, linewidth=1.0)
        floor = quantity.found.floor
        if floor.high > 0 and math.isfinite(floor.high):
            # side by side at the right end; one that reaches 0 runs out of the picture
            left = 0.955 + 0.015 * place
            low = max(floor.low, 1e-6 * quantity.limit)
            axis.axhspan(low, floor.high, left, left + 0.013, color=colour, alpha=0.45, linewidth=0)


def _size(name: str) -> str:
    """A quantity's name with its signs set."""
    return name.replace(">=", "≥ ").replace("um(c)", "µm(c)")


def _hollow(axis: Any, x: Any, y: Any, mark: str, colour: str) -> None:
    axis.plot(x, y, mark, markerfacecolor="white", markeredgecolor=colour, markersize=4.2, linestyle="none",
              markeredgewidth=0.8)  # fmt: skip


def _legend(axis: Any, hollow: bool) -> None:
    """In the lower left, which a decay leaves free."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    rows: list[Any] = [
        Line2D(
            [], [], marker=mark, color=colour, linewidth=1.0, markersize=3.4, label=f"{_size(name)}, fitted"
        )  # fmt: skip
        for name, (mark, colour) in _MARKS.items()
    ]
    if hollow:
        rows.append(Line2D([], [], marker="o", color=drawing.GREY, markerfacecolor="white", linestyle="none",
                           markersize=4.2, label="not valid, left out"))  # fmt: skip
    rows.append(Patch(color=drawing.GREY, alpha=0.35, label="floor it goes to, 95 %"))
    axis.legend(handles=rows, loc="lower left", ncols=2, frameon=False, fontsize=7.5)


def _plain_numbers(axis: Any) -> None:
    from matplotlib.ticker import FuncFormatter, NullFormatter

    axis.yaxis.set_major_formatter(FuncFormatter(lambda value, _: number(value)))
    axis.yaxis.set_minor_formatter(NullFormatter())
