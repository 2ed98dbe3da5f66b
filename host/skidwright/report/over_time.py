"""The page's part on judgement over time, and the trend's line in the picture of scale numbers."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from skidboard.records import CHANNELS_UM

from skidwright.drawing import BLACK
from skidwright.judgement import charts as control
from skidwright.judgement.hint import Hint
from skidwright.judgement.targets import NO_TARGET, NO_VALID
from skidwright.judgement.told import Line, lines
from skidwright.judgement.trend import Trend
from skidwright.judgement.wording import percent
from skidwright.report.model import AssetReport

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# A scale number N ends at about 0.01 * 2^N particles per mL, which is drawn half way between N and N + 1.
_TO_DRAWN = float(np.log2(100)) + 0.5


@dataclass(frozen=True)
class OverTime:
    """`chances` is a sentence on the target, `rows` a line for each series; `points` says what a point is."""

    chances: str
    rows: list[Line]
    hints: tuple[Hint, ...]
    points: str
    false_alarms: str


def over_time(data: AssetReport) -> OverTime | None:
    """What is shown of an asset's judgement; None when it has none, or no series with any point."""
    judged = data.judgement
    if judged is None or not (rows := lines(judged)):
        return None
    particles = judged.particle_series
    each = float(np.median(particles.points.samples)) if len(particles.points) else 1
    points = (
        f"{len(particles.points)} points, each the median of {each:.0f} samples"
        if each > 1
        else "single samples"
    )
    return OverTime(_chances(data), rows, judged.hints, points, f"{control.FALSE_ALARMS_PER_YEAR:g}")


def _chances(data: AssetReport) -> str:
    state = data.judgement.target if data.judgement else None
    if state is None or state.state in (NO_TARGET, NO_VALID):
        return ""
    chances = [percent(chance) for chance in state.chances]
    each = ", ".join(f"≥ {size} µm(c) {chance}" for size, chance in zip(CHANNELS_UM, chances, strict=False))
    return (
        f"Target {state.state}: chance that the median of the newest {state.samples} valid samples is at or "
        f"below it, by counting and volume alone: {each}."
    )


def draw_trend(axis: "Axes", line: Trend | None, window: tuple[float, float]) -> None:
    """A trend, where there is one, as a black line with the range of its interval, in scale numbers."""
    if line is None or not (line.rising or line.falling):
        return
    days = np.linspace(max(line.first_days, window[0]), min(line.last_days, window[1]), 40)
    since = days - line.centre_days
    middle = line.level + _TO_DRAWN
    z = 1.96
    below = np.hypot(
        z * line.level_error, since * np.where(since > 0, line.slope - line.low, line.high - line.slope)
    )
    above = np.hypot(
        z * line.level_error, since * np.where(since > 0, line.high - line.slope, line.slope - line.low)
    )
    drawn = middle + line.slope * since
    axis.fill_between(days, drawn - below, drawn + above, color=BLACK, alpha=0.13, linewidth=0, zorder=2.6)
    axis.plot(days, drawn, color=BLACK, linewidth=1.4, zorder=2.7)
