"""Many samples into as many columns as a picture has: lowest, median and highest of each column.

No sample is left out of the lowest and highest, so a single bad reading in a year still shows.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

COLUMNS = 480


@dataclass(frozen=True)
class Columns:
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
) -> Columns:
    """Gather values (any order, NaN ignored) into `columns` equal parts of the time from `start` to `end`.

    Up to two values a column they stay single points, each at its own time.
    """
    good = np.isfinite(when_days) & np.isfinite(values)
    when, value = when_days[good], values[good].astype(np.float64)
    if np.any(when[1:] < when[:-1]):
        order = np.argsort(when, kind="stable")
        when, value = when[order], value[order]
    if len(value) <= 2 * columns:
        return Columns(when, value, value, value, np.ones(len(value), np.int64))
    width = max(end - start, 1e-9) / columns
    place = np.clip(((when - start) / width).astype(np.int64), 0, columns - 1)
    first = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
    count = np.diff(np.r_[first, len(place)])
    # One selection a column is far quicker than sorting all values.
    median = np.array([np.median(value[at : at + n]) for at, n in zip(first, count, strict=True)])
    middle = np.add.reduceat(when, first) / count
    return Columns(
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
