"""The report's pictures: many samples in as many columns as a picture has, none left out of lowest and
highest."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from skidwright import drawing
from skidwright.arrays import Floats, Mask
from skidwright.drawing import BLACK, BLUE, GREEN, GREY, VERMILION
from skidwright.formulas.iso4406 import format_code
from skidwright.report.model import ABSENT, VALID, AssetReport, Happening
from skidwright.report.over_time import draw_trend

COLUMNS = 480


@dataclass(frozen=True)
class PictureColumns:
    """One row a column that holds at least one value. `when` is the middle of the values' times, in days."""

    when: NDArray[np.float64]
    low: NDArray[np.float64]
    median: NDArray[np.float64]
    high: NDArray[np.float64]
    count: NDArray[np.int64]

    @property
    def gathered(self) -> bool:
        """True when at least one column stands for more than one value."""
        return bool(len(self.count)) and int(self.count.max()) > 1


def gather(
    when_days: NDArray[np.float64],
    values: NDArray[np.float64],
    start: float,
    end: float,
    columns: int = COLUMNS,
) -> PictureColumns:
    """Gather values (any order, NaN ignored) into `columns` equal parts of the time from `start` to `end`.

    Up to two values a column they stay single points, each at its own time.
    """
    good = np.isfinite(when_days) & np.isfinite(values)
    when, value = when_days[good], values[good].astype(np.float64)
    if np.any(when[1:] < when[:-1]):
        order = np.argsort(when, kind="stable")
        when, value = when[order], value[order]
    if len(value) <= 2 * columns:
        return PictureColumns(when, value, value, value, np.ones(len(value), np.int64))
    width = max(end - start, 1e-9) / columns
    place = np.clip(((when - start) / width).astype(np.int64), 0, columns - 1)
    first = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
    count = np.diff(np.r_[first, len(place)])
    # One selection a column is far quicker than sorting all values.
    median = np.array([np.median(value[at : at + n]) for at, n in zip(first, count, strict=True)])
    middle = np.add.reduceat(when, first) / count
    return PictureColumns(
        middle, np.minimum.reduceat(value, first), median, np.maximum.reduceat(value, first), count
    )


def thin(
    when_days: NDArray[np.float64],
    values: NDArray[np.float64],
    start: float,
    end: float,
    columns: int,
    rows: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """At most one point in each cell of a grid of `columns` by `rows`: what the eye could tell apart.

    Returns times and values of the points kept (NaN dropped).
    """
    good = np.isfinite(when_days) & np.isfinite(values)
    when, value = when_days[good], values[good]
    if len(value) <= columns:
        return when, value
    low, high = float(value.min()), float(value.max())
    x = np.clip(((when - start) / max(end - start, 1e-9) * columns).astype(np.int64), 0, columns - 1)
    y = np.clip(((value - low) / max(high - low, 1e-9) * rows).astype(np.int64), 0, rows - 1)
    _, keep = np.unique(x * rows + y, return_index=True)
    return when[keep], value[keep]


if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Above this many, hollow marks would bury what they surround: their share is drawn instead.
MANY_DOUBTED = 400
CHANNELS_UM = (4, 6, 14, 21)
ABOVE_TABLE = 28
_NEAR = 0.03


def span(data: AssetReport) -> tuple[float, float]:
    """First and last moment shown, in days; both 0 when nothing is dated.

    From the first sample to the last, and to what has a letter shortly before or after.
    """
    when = drawing.days(data.samples.when)
    when = when[np.isfinite(when)]
    if not len(when):
        return 0.0, 0.0
    first, last = float(when.min()), float(when.max())
    near = _NEAR * (last - first)
    marked = drawing.days(np.array([h.when for h in data.happenings if h.mark], "datetime64[ms]"))
    seen = marked[(marked > first - near) & (marked < last + near)].tolist()
    return min([first, *seen]), max([last, *seen])


def _bars(axis: "Axes", when: Floats, low: Floats, high: Floats, colour: str) -> None:
    """Upright bars, drawn as one broken line: a year of them is one element of the page, not thousands."""
    nothing = np.full(len(when), np.nan)
    x = np.stack([when, when, nothing], axis=1).ravel()
    y = np.stack([low, high, nothing], axis=1).ravel()
    axis.plot(x, y, color=colour, linewidth=1.0, alpha=0.5, zorder=2, solid_capstyle="butt")


def _line(axis: "Axes", when: Floats, values: Floats, colour: str, width: float) -> None:
    """A line, broken where over four usual intervals are missing: nothing is known there."""
    if len(when) > 2:
        steps = np.diff(when)
        gaps = np.flatnonzero(steps > 4 * np.median(steps)) + 1
        when, values = np.insert(when, gaps, np.nan), np.insert(values, gaps, np.nan)
    axis.plot(when, values, color=colour, linewidth=width, zorder=2.2)


def _believed(axis: "Axes", when: Floats, values: Floats, colour: str, window: tuple[float, float]) -> None:
    """Filled dots, or when there are very many a line of medians in a band from lowest to highest."""
    drawn = gather(when, values, *window)
    if drawn.gathered:
        _bars(axis, drawn.when, drawn.low, drawn.high, colour)
        _line(axis, drawn.when, drawn.median, colour, 1.2)
    elif len(drawn.when):
        _line(axis, drawn.when, drawn.median, colour, 0.6)
        size = 3.4 if len(drawn.when) < 250 else 2.0
        axis.plot(drawn.when, drawn.median, "o", color=colour, markersize=size, markeredgewidth=0, zorder=3)


def _not_believed(axis: "Axes", when: Floats, values: Floats, window: tuple[float, float]) -> None:
    """Hollow marks, one for what the eye could not tell apart; none when a strip shows their share."""
    if len(when) > MANY_DOUBTED:
        return
    x, y = thin(when, values, *window, columns=160, rows=40)
    if len(x):
        axis.plot(
            x, y, "s", markerfacecolor="none", markeredgecolor=GREY, markersize=3.6, markeredgewidth=0.8
        )


def _share_strip(
    axis: "Axes", when: Floats, doubted: Mask, counted: Mask, window: tuple[float, float]
) -> None:
    """The share of samples that were not believed, as a stepped outline."""
    edges = np.linspace(window[0], window[1], 121)
    dated = np.isfinite(when)
    every, _ = np.histogram(when[dated & counted], edges)
    some, _ = np.histogram(when[dated & doubted], edges)
    share = np.divide(some * 100.0, every, out=np.full(len(every), np.nan), where=every > 0)
    axis.stairs(share, edges, color=GREY, linewidth=0.9, baseline=None)
    axis.set_ylim(0, 105)
    axis.set_yticks([0, 100])
    axis.set_ylabel("not be-\nlieved, %")


def _happenings(axes: "list[Axes]", happenings: list[Happening], window: tuple[float, float]) -> None:
    """Thin upright lines through all panels with their letters on top; letters too near stand together."""
    marked = [h for h in happenings if h.mark and not np.isnat(h.when)]
    room = (window[1] - window[0]) * 0.018
    groups: list[tuple[float, float, str]] = []
    for happening in sorted(marked, key=lambda h: h.when):
        at = float(drawing.days(np.array([happening.when]))[0])
        if not window[0] <= at <= window[1]:
            continue
        for axis in axes:
            axis.axvline(at, color=BLACK, linewidth=0.6, linestyle=":", zorder=1)
        if groups and at - groups[-1][0] <= room * (1 + groups[-1][2].count(",")):
            groups[-1] = (groups[-1][0], at, f"{groups[-1][2]}, {happening.mark}")
        else:
            groups.append((at, at, happening.mark))
    for first, last, letters in groups:
        axes[0].annotate(
            letters,
            ((first + last) / 2, 1),
            xycoords=("data", "axes fraction"),
            xytext=(0, 1),
            textcoords="offset points",
            ha="center",
            va="bottom",
            fontsize=8,
            fontweight="bold",
        )


def code_history(data: AssetReport) -> str:
    """Scale numbers of the three standard channels against the target, one panel a channel."""
    from matplotlib.ticker import MaxNLocator

    samples, window = data.samples, span(data)
    when = drawing.days(samples.when)
    believed = samples.counts_verdict == VALID
    doubted = ~believed & (samples.counts_verdict != ABSENT)
    strip = int(doubted.sum()) > MANY_DOUBTED
    made, axes = drawing.figure(4.8, 4, [3, 3, 3, 1]) if strip else drawing.figure(4.1, 3)
    if strip:
        _share_strip(axes[-1], when, doubted, believed | doubted, window)
    for channel, axis in enumerate(axes[:3]):
        numbers = samples.code[:, channel].astype(np.float64)
        numbers[numbers > ABOVE_TABLE] = ABOVE_TABLE + 0.7
        shown = numbers[believed] if believed.any() else numbers[doubted]
        target = data.asset.target[channel] if data.asset.target else None
        wanted = [*shown[np.isfinite(shown)], *([target] if target is not None else [])]
        low, high = (min(wanted), max(wanted)) if wanted else (10, 20)
        low, high = max(low - 1.6, -0.6), max(high + 1.6, low + 4.2)
        axis.set_ylim(low, high)
        _believed(axis, when[believed], numbers[believed], BLUE, window)
        # What was not believed may lie anywhere; it is drawn at the edge when it would squeeze the rest.
        _not_believed(axis, when[doubted], np.clip(numbers[doubted], low + 0.25, high - 0.25), window)
        axis.set_ylabel(f"≥ {CHANNELS_UM[channel]} µm(c)\nscale number")
        axis.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
        axis.grid(axis="y", color="#e4e4e4", linewidth=0.6)
        axis.set_axisbelow(True)
        if data.standing.judgement is not None:
            draw_trend(axis, data.standing.judgement.particle_series.trends[channel], window)
        if target is not None:
            drawing.limit(axis, target + 0.5, f"target {target} or lower")
            axis.set_ylim(low, high)
    _happenings(axes, data.happenings, window)
    drawing.time_axis(axes[-1], *window)
    return drawing.to_svg(made, "code", "ISO 4406 scale numbers over time, one panel for each channel")


def water_and_temperature(data: AssetReport) -> str:
    """Water saturation with its limit above fluid temperature."""
    samples, window = data.samples, span(data)
    when = drawing.days(samples.when)
    believed = samples.water_verdict == VALID
    doubted = ~believed & (samples.water_verdict != ABSENT)
    strip = int(doubted.sum()) > MANY_DOUBTED
    made, axes = drawing.figure(4.0, 3, [3, 2, 0.8]) if strip else drawing.figure(3.5, 2, [3, 2])
    water_axis, temperature_axis = axes[:2]
    if strip:
        _share_strip(axes[2], when, doubted, believed | doubted, window)
    # A failed loop has no reading; its hollow mark stands at the bottom.
    water = np.where(doubted & np.isnan(samples.water_percent), 0.0, samples.water_percent)
    limit = data.asset.water_limit_percent
    shown = [0.0, 20.0, *([limit * 1.15] if limit is not None else [])]
    if believed.any():
        shown.append(float(np.nanmax(water[believed])) * 1.1)
    high = min(max(shown), 105.0)
    water_axis.set_ylim(0, high)
    _believed(water_axis, when[believed], water[believed], BLUE, window)
    _not_believed(water_axis, when[doubted], np.clip(water[doubted], high * 0.015, high * 0.985), window)
    water_axis.set_ylabel("water\n% of saturation")
    water_axis.grid(axis="y", color="#e4e4e4", linewidth=0.6)
    if limit is not None:
        drawing.limit(water_axis, limit, f"limit {limit:g} %")
        water_axis.set_ylim(0, high)
    warm = samples.temperature_verdict == VALID
    cold = ~warm & (samples.temperature_verdict != ABSENT)
    _believed(temperature_axis, when[warm], samples.temperature_c[warm], GREEN, window)
    if warm.any():
        temperature_axis.margins(y=0.15)
        low_c, high_c = temperature_axis.get_ylim()
        _not_believed(
            temperature_axis, when[cold], np.clip(samples.temperature_c[cold], low_c, high_c), window
        )
    temperature_axis.set_ylabel("fluid\n°C")
    temperature_axis.grid(axis="y", color="#e4e4e4", linewidth=0.6)
    _happenings(axes, data.happenings, window)
    drawing.time_axis(axes[-1], *window)
    return drawing.to_svg(made, "water", "Water saturation and fluid temperature over time")


def flow(data: AssetReport) -> str:
    """Flow while counting: lowest to highest of every sample as a bar, its mean as a dot, the band dashed."""
    samples, window = data.samples, span(data)
    made, (axis,) = drawing.figure(2.3, 1)
    when = drawing.days(samples.when)
    low_limit, high_limit = data.band_ml_min
    width = high_limit - low_limit
    bottom, top = max(low_limit - 0.6 * width, 0), high_limit + 0.6 * width
    axis.set_ylim(bottom, top)
    believed = samples.counts_verdict == VALID
    doubted = ~believed & (samples.counts_verdict != ABSENT)
    lowest = gather(when[believed], samples.flow_ml_min[believed, 0], *window)
    highest = gather(when[believed], samples.flow_ml_min[believed, 2], *window)
    mean = gather(when[believed], samples.flow_ml_min[believed, 1], *window)
    _bars(axis, lowest.when, lowest.low, highest.high, BLUE)
    if mean.gathered:
        _line(axis, mean.when, mean.median, BLUE, 1.2)
    else:
        axis.plot(mean.when, mean.median, "o", color=BLUE, markersize=2.6, markeredgewidth=0, zorder=3)
    edge = 0.03 * (top - bottom)
    outside = np.clip(samples.flow_ml_min[doubted], bottom + edge, top - edge)
    if doubted.sum() <= MANY_DOUBTED:
        _bars(axis, when[doubted], outside[:, 0], outside[:, 2], GREY)
    _not_believed(axis, when[doubted], outside[:, 1], window)
    drawing.limit(axis, high_limit, f"band to {high_limit:g}", "above")
    drawing.limit(axis, low_limit, f"band from {low_limit:g}", "below")
    axis.set_ylim(bottom, top)
    axis.set_ylabel("flow while counting\nmL/min")
    _happenings([axis], data.happenings, window)
    drawing.time_axis(axis, *window)
    return drawing.to_svg(made, "flow", "Flow while counting against the band of the counter, over time")


def size_distribution(data: AssetReport) -> str:
    """Particles per mL of the newest valid sample against size, both axes logarithmic; "" without one."""
    from skidwright.formulas.iso4406 import UPPER_PER_ML
    from skidwright.samples.counted import limits_per_ml

    samples = data.samples
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if not len(believed):
        return ""
    last = believed[-1]
    per_ml = samples.per_ml[last]
    row = slice(last, last + 1)
    ends = limits_per_ml(samples.counted(row))
    low, high = ends.low_per_ml[0], ends.high_per_ml[0]
    made, (axis,) = drawing.figure(2.9, 1)
    axis.set_xscale("log")
    axis.set_yscale("log")
    some = per_ml > 0
    sizes = np.array(CHANNELS_UM, dtype=np.float64)
    axis.vlines(sizes, np.maximum(low, 1e-3), high, color=BLUE, linewidth=1.4, zorder=2)
    axis.plot(sizes[some], per_ml[some], "o-", color=BLUE, markersize=5, zorder=3)
    for size, value, bottom, number in zip(sizes, per_ml, low, samples.code[last], strict=True):
        shown = f"{value:,.0f}" if value >= 100 else f"{value:.2f}"
        axis.annotate(
            f"{shown} / mL\n(number {format_code([number])})",
            (size, max(bottom, 1e-2)),
            xytext=(-7, -3),
            textcoords="offset points",
            ha="right",
            va="top",
            fontsize=8.5,
        )
    if data.asset.target:
        targets = [UPPER_PER_ML[number] for number in data.asset.target]
        axis.plot(
            sizes[:3],
            targets,
            "_",
            color=VERMILION,
            markersize=26,
            markeredgewidth=1.6,
            linestyle="none",
            zorder=2,
        )
        axis.plot(sizes[:3], targets, color=VERMILION, linestyle=(0, (5, 2.5)), linewidth=1.0, zorder=1)
        axis.annotate("most the target allows", (sizes[2], targets[2]), xytext=(16, -3),
                      textcoords="offset points", fontsize=8.5, color="#8a3a00")  # fmt: skip
    axis.set_xticks(sizes, [f"{size:g}" for size in sizes])
    axis.set_xticks([], minor=True)
    axis.set_xlim(2.9, 25)
    values = [*per_ml[some], *low[low > 0], *high, *([*targets] if data.asset.target else [])]
    axis.set_ylim(max(min(values) / 8, 1e-3), max(values) * 3)
    # Plain numbers: powers of ten are no daily bread in a workshop.
    axis.yaxis.set_major_formatter(lambda value, _place: f"{value:,.10g}")
    axis.yaxis.set_minor_formatter(lambda _value, _place: "")
    axis.set_xlabel("particle size, µm(c), this large or larger")
    axis.set_ylabel("particles per mL")
    axis.grid(axis="y", color="#e4e4e4", linewidth=0.6)
    return drawing.to_svg(made, "size", "Particles per millilitre by size in the latest valid sample")
