"""Few points out of many samples: medians over equal spans of time, at a cost linear in the samples.

A trend, a change or a chart needs no more than a few hundred points; a median over a day sheds the odd
sample that was wrong without being caught, and most of what makes neighbouring samples alike.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.samples.history import VALID, History

CHANNELS = 4
MS_PER_DAY = 86_400_000
# So many points at most are looked at in detail: a year of days.
MOST_POINTS = 366
# A young log is cut into as many.
FEWEST_POINTS = 60
# Counting noise of a logarithm to base 2 of one count, and the loss of a median against a mean (both exact
# for many particles and samples): see docs/judgement.md.
_LOG2_E = 1 / np.log(2)
_MEDIAN_LOSS = np.sqrt(np.pi / 2)
# Newest samples whose counts say how much counting alone scatters.
_USUAL = 1000
# A noise smaller than this is no property of a fluid but of rounding.
LEAST_NOISE = 0.005


@dataclass(frozen=True)
class Points:
    """Medians of `samples` samples each. `days` since 1970 (m,), rising; `values` (m, k), one column a
    series.

    `floor` (k,): the least noise that a point can have by counting alone, as one standard deviation.
    """

    days: Floats
    values: Floats
    samples: NDArray[np.int64]
    floor: Floats

    def __len__(self) -> int:
        return len(self.days)

    def newest(self, most: int = MOST_POINTS) -> "Points":
        """The newest `most` points."""
        return Points(self.days[-most:], self.values[-most:], self.samples[-most:], self.floor)


def count_rows(history: History, since_days: float = -np.inf) -> NDArray[np.intp] | slice:
    """Rows whose counts are valid and whose time is known, oldest first; those since `since_days` (1970)."""
    first = 0
    if since_days > -np.inf:
        # rows without a time come first
        first = int(np.searchsorted(history.utc_ms, int(since_days * MS_PER_DAY)))
    part = slice(first, None)
    good = (history.counts_verdict[part] == VALID) & ~np.isnat(history.when[part])
    # a count beyond what the counter can show has no concentration in any channel
    good &= np.isfinite(history.per_ml[part, 0])
    return part if good.all() else np.flatnonzero(good) + first


def never_none(history: History, rows: NDArray[np.intp] | slice) -> Floats:
    """Particles per mL (n, 4), half a particle added to each count so that every one has a logarithm."""
    half = 0.5 / np.maximum(history.volume_ml[rows], 1e-3)
    return np.asarray(history.per_ml[rows] + half[:, None])


def width_days(days: Floats) -> float:
    """The span of time of a point: a day, or with less than 60 days of samples a sixtieth of these."""
    span = float(days[-1] - days[0]) if len(days) else 0.0
    return min(1.0, max(span * (1 + 1e-9) / FEWEST_POINTS, 1e-6))


def count_points(history: History) -> Points:
    """Logarithm to base 2 of particles per mL >=4, >=6, >=14, >=21 um(c): one up is twice as many.

    Half a particle is added to each count so that none has a logarithm too.
    """
    rows = count_rows(history)
    days = history.utc_ms[rows] / MS_PER_DAY
    made = _medians(days, never_none(history, rows), width_days(days))
    counts = history.counts[rows][-_USUAL:]
    usual = np.median(counts, axis=0) if len(counts) else np.zeros(CHANNELS)
    each = np.median(made.samples) if len(made) else 1
    floor = _LOG2_E * np.where(each > 2, _MEDIAN_LOSS, 1) / np.sqrt((usual + 0.5) * each)
    return Points(made.days, np.log2(made.values), made.samples, floor)


def value_points(days: Floats, values: Floats) -> Points:
    """Points of one series given as days since 1970, oldest first, and values (n,)."""
    return _medians(days, values[:, None], width_days(days))


def coarser(points: Points, most: int = MOST_POINTS, least_days: float = 0.0) -> Points:
    """The same stretch in at most `most` points no narrower than `least_days`, medians of medians."""
    span = points.days[-1] - points.days[0] if len(points) else 0.0
    width = max(span * (1 + 1e-9) / most if len(points) > most else 0.0, least_days)
    if not width or len(points) < 2 or width <= span / (len(points) - 1):
        return points
    made = _medians(points.days, points.values, width)
    each = max(float(np.median(made.samples)), 1.0)
    return Points(made.days, made.values, made.samples, points.floor / np.sqrt(each))


def _medians(days: Floats, values: Floats, width: float) -> Points:
    """Medians over spans of `width` days that end at the newest sample, so that the newest span is full."""
    n, series = values.shape
    if not n:
        return Points(np.zeros(0), np.zeros((0, series)), np.zeros(0, np.int64), np.zeros(series))
    span = np.ceil((days - days[-1]) / width - 1e-9).astype(np.int64)
    starts = np.flatnonzero(np.r_[True, span[1:] != span[:-1]])
    counts = np.diff(np.r_[starts, n])
    middle = np.add.reduceat(days, starts) / counts
    if len(starts) == n:
        medians = values.copy()
    else:
        medians = np.stack([medians_of(values[:, k], starts, counts) for k in range(series)], axis=1)
    return Points(middle, medians, counts, np.zeros(series))


def medians_of(values: Floats, starts: NDArray[np.intp], counts: NDArray[np.intp]) -> Floats:
    """Median of each run of `counts` values from `starts`."""
    n, runs, widest = len(values), len(starts), int(counts.max())
    row = np.repeat(np.arange(runs), counts)
    low, high = (counts - 1) // 2, counts // 2
    if runs * widest <= 4 * n:
        # short rows side by side sort fastest; what is missing sorts to the end
        table = np.full((runs, widest), np.inf)
        table[row, np.arange(n) - np.repeat(starts, counts)] = values
        table.sort(axis=1)
        every = np.arange(runs)
        return np.asarray((table[every, low] + table[every, high]) / 2)
    ranked = values[np.lexsort((values, row))]
    return np.asarray((ranked[starts + low] + ranked[starts + high]) / 2)
