"""The page's part on judgement over time, and the trend's line in the picture of scale numbers."""

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from skidwright.drawing import BLACK
from skidwright.judgement import charts as control
from skidwright.judgement.in_words import JudgedLine, lines
from skidwright.judgement.patterns import Hint
from skidwright.judgement.trend import Trend
from skidwright.report.model import AssetReport
from skidwright.standing import words
from skidwright.standing.goals import NO_GOAL, WORDS
from skidwright.wording import moment, percent

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# A scale number N ends at about 0.01 * 2^N particles per mL, which is drawn half way between N and N + 1.
_TO_DRAWN = float(np.log2(100)) + 0.5


class StandingLine(NamedTuple):
    """A quantity against its goal, in words."""

    quantity: str
    value: str
    goal: str
    state: str
    chance: str
    newest: str
    needs: str


@dataclass(frozen=True)
class OverTime:
    """`rows` has a line for each series; `points` says what a point is."""

    rows: list[JudgedLine]
    hints: tuple[Hint, ...]
    points: str
    false_alarms: str


def over_time(data: AssetReport) -> OverTime | None:
    """What is shown of an asset's judgement; None when it has none, or no series with any point."""
    judged = data.standing.judgement
    if judged is None or not (rows := lines(judged)):
        return None
    particles = judged.particle_series
    each = float(np.median(particles.points.samples)) if len(particles.points) else 1
    points = (
        f"{len(particles.points)} points, each the median of {each:.0f} samples"
        if each > 1
        else "single samples"
    )
    return OverTime(rows, judged.hints, points, f"{control.FALSE_ALARMS_PER_YEAR:g}")


def stands(data: AssetReport) -> list[StandingLine]:
    """A row for each quantity that has a goal or a value."""
    one = data.standing
    return [
        StandingLine(
            each.name,
            words.amount(each) if each.rows else "none",
            words.goal(each),
            each.state,
            "" if each.state == NO_GOAL or np.isnan(each.least) else percent(each.least),
            moment(each.newest) if each.rows else "",
            WORDS[one.level_of(each.name)],
        )
        for each in one.quantities
        if each.rows or each.state != NO_GOAL
    ]


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
