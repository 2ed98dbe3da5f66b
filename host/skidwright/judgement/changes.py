"""Change points: where one straight line through the points no longer holds.

Optimal partitioning (B. Jackson et al., "An algorithm for optimal partitioning of data on an interval",
IEEE Signal Processing Letters 12, 2005): the pieces of least total cost, each a straight line with its own
level and slope, so that a slow drift is one piece and not a staircase. Cost of a piece: its sum of squared
residuals over the long-run variance of the noise. Every further piece costs a penalty, chosen so that clean
series seldom have a change (`penalty_for`, measured by `make trends`).

The work grows with the square of the number of points, of which `points` gives a few hundred whatever the
number of samples.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.judgement.noise import noise_of, strays_held

LEAST_PIECE = 7
# Ends of pieces whose costs are worked out together: enough that numpy's cost a call counts little.
_AT_A_TIME = 16


@dataclass(frozen=True)
class Change:
    """The first point after a change, and by how much the fitted lines differ there, in units of the
    series."""

    at: int
    days: float
    step: float


def changes(days: Floats, values: Floats, floor: Floats, penalty: float | None = None) -> list[list[Change]]:
    """Changes of each series, oldest first. `values` is (n, k), `floor` (k,) the least noise of a point."""
    n, series = values.shape
    if n < 2 * LEAST_PIECE:
        return [[] for _ in range(series)]
    moves = noise_of(values.T, floor)
    # odd samples that come together must make no piece of their own
    held = strays_held(values.T, moves.sd, at=0.0)
    # less than this is no noise but a series without any
    scale = np.maximum(moves.long_run, 1e-12)
    found = partition(days, held, (penalty_for(n) if penalty is None else penalty) * scale)
    return [_described(days, held[k], breaks) for k, breaks in enumerate(found)]


def penalty_for(points: int) -> float:
    """What a further piece must gain, in long-run variances: more when the noise is known from few points."""
    return 25.0 + 400.0 / points


def partition(days: Floats, values: Floats, penalty: Floats, least: int = LEAST_PIECE) -> list[list[int]]:
    """First points of the second and later pieces, for each row of (k, n), of least cost plus penalties (k,).

    The exact optimum over all ways to cut the series into pieces of `least` points or more.
    """
    series, n = values.shape
    lines = _Lines(days, values)
    best = np.full((series, n + 1), np.inf)
    best[:, 0] = -penalty
    before = np.zeros((series, n + 1), np.int64)
    rows = np.arange(series)
    for first in range(least, n + 1, _AT_A_TIME):
        ends = np.arange(first, min(first + _AT_A_TIME, n + 1))
        costs = lines.costs(ends, int(ends[-1]) - least + 1)
        for place, end in enumerate(ends.tolist()):
            total = costs[:, place, : end - least + 1] + best[:, : end - least + 1]
            at = total.argmin(axis=1)
            before[:, end] = at
            best[:, end] = total[rows, at] + penalty
    found = []
    for k in range(series):
        breaks, end = [], n
        while (start := int(before[k, end])) > 0:
            breaks.append(start)
            end = start
        found.append(breaks[::-1])
    return found


class _Lines:
    """Sums of squared residuals about the best line through any stretch of points, from running sums."""

    def __init__(self, days: Floats, values: Floats) -> None:
        x = (days - days.mean()) / max(float(np.ptp(days)), 1e-9)
        y = values - np.median(values, axis=1, keepdims=True)
        self._number = np.arange(len(days) + 1, dtype=np.float64)
        self._x, self._xx = _running(x), _running(x * x)
        self._y, self._yy, self._xy = _running(y), _running(y * y), _running(x * y)

    def costs(self, ends: NDArray[np.int64], stop: int) -> Floats:
        """For each series, each of `ends` and each i below `stop`: the cost of points i to end - 1.

        Where a piece would have no two points its cost means nothing.
        """
        number = np.maximum(ends[:, None] - self._number[:stop], 1.0)
        x = self._x[ends, None] - self._x[:stop]
        spread = np.maximum(self._xx[ends, None] - self._xx[:stop] - x * x / number, 1e-12)
        y = self._y[:, ends, None] - self._y[:, None, :stop]
        shared = self._xy[:, ends, None] - self._xy[:, None, :stop]
        shared -= y * (x / number)
        shared *= shared
        shared /= spread
        y *= y
        y /= number
        costs = self._yy[:, ends, None] - self._yy[:, None, :stop]
        costs -= y
        costs -= shared
        return np.maximum(costs, 0.0, out=costs)


def _running(terms: Floats) -> Floats:
    """Running sums along the last axis, from 0."""
    return np.concatenate([np.zeros((*terms.shape[:-1], 1)), np.cumsum(terms, axis=-1)], axis=-1)


def _described(days: Floats, values: Floats, breaks: list[int]) -> list[Change]:
    ends = [0, *breaks, len(days)]
    found = []
    for place, at in enumerate(breaks):
        middle = (days[at - 1] + days[at]) / 2
        before = _line_at(days, values, ends[place], at, middle)
        after = _line_at(days, values, at, ends[place + 2], middle)
        found.append(Change(at, float(days[at]), after - before))
    return found


def _line_at(days: Floats, values: Floats, start: int, end: int, where: float) -> float:
    """The best line through points start to end - 1, at time `where`."""
    x, y = days[start:end] - where, values[start:end]
    centre = x.mean()
    spread = float(((x - centre) ** 2).sum())
    slope = float(((x - centre) * y).sum()) / spread if spread > 0 else 0.0
    return float(y.mean()) - slope * float(centre)
