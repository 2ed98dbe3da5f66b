"""How long a control chart runs until it alarms, and the limits for a wanted run length.

EWMA chart: average run length by a Markov chain over the range between the limits, D. Brook and D. A.
Evans, Biometrika 59, 1972, as used by J. M. Lucas and M. S. Saccucci, "Exponentially weighted moving
average control schemes", Technometrics 32, 1990. Chart of single values: the points are independent, so it
is one over the chance of an alarm. Both for independent normal points of known mean and standard deviation;
what else there is goes into the width of the limits in `charts`.
"""

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats
from skidwright.formulas.distributions import normal_cdf, normal_quantile

_STATES = 101


def ewma_run_length(weight: float, limit: float, shift: float = 0.0) -> float:
    """Average number of points until an EWMA chart alarms.

    `weight` is that of the newest point, `limit` in standard deviations of the moving average, `shift` of
    the mean in standard deviations of a point. The chart starts at 0. ValueError unless 0 < weight <= 1 and
    limit > 0.
    """
    if not 0 < weight <= 1 or limit <= 0:
        raise ValueError("a weight above 0 and up to 1 and a limit above 0 are needed")
    top = limit * math.sqrt(weight / (2 - weight))
    edges = np.linspace(-top, top, _STATES + 1)
    middles = (edges[1:] + edges[:-1]) / 2
    reached = normal_cdf((edges[None, :] - (1 - weight) * middles[:, None]) / weight - shift)
    stay = np.diff(reached, axis=1)
    lengths = np.linalg.solve(np.eye(_STATES) - stay, np.ones(_STATES))
    return float(lengths[_STATES // 2])


@lru_cache(maxsize=32)
def ewma_limit(weight: float, run_length: float) -> float:
    """The limit with which an EWMA chart of clean points alarms once in `run_length` points on average.

    ValueError for a run length of 2 or less, or more than a chain of states can tell apart (1e7).
    """
    if not 2 < run_length <= 1e7:
        raise ValueError("a run length of more than 2 and up to ten million points is needed")
    low, high = 0.1, 7.0
    for _ in range(22):  # to a millionth
        middle = (low + high) / 2
        if ewma_run_length(weight, middle) < run_length:
            low = middle
        else:
            high = middle
    return high


def single_limit(run_length: float) -> float:
    """The limit with which a chart of single values alarms once in `run_length` clean points on average.

    ValueError for a run length of 1 or less.
    """
    if run_length <= 1:
        raise ValueError("a run length of more than one point is needed")
    return normal_quantile(1 - 0.5 / run_length)


def student_limit(limit: ArrayLike, freedom: ArrayLike) -> Floats:
    """The limit that Student's distribution leaves as seldom as the normal one leaves `limit`.

    For a standard deviation that is itself an estimate of `freedom` degrees of freedom. Series in
    powers of 1 / freedom: M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 26.7.5.
    """
    z, v = np.asarray(limit, np.float64), np.asarray(freedom, np.float64)
    return np.asarray(
        z
        + (z**3 + z) / (4 * v)
        + (5 * z**5 + 16 * z**3 + 3 * z) / (96 * v**2)
        + (3 * z**7 + 19 * z**5 + 17 * z**3 - 15 * z) / (384 * v**3)
        + (79 * z**9 + 776 * z**7 + 1482 * z**5 - 1920 * z**3 - 945 * z) / (92160 * v**4)
    )
