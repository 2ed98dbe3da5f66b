"""Standard uncertainties joined, and a straight line fitted, after the GUM (JCGM 100:2008, JCGM 101:2008)."""

import functools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

_POINTS = 2001
_STEPS = 801
Floats = NDArray[np.float64]


class Part(NamedTuple):
    """One contribution: what it is, its standard uncertainty, its degrees of freedom (infinite: known)."""

    name: str
    standard: float
    freedom: float = math.inf


class Joined(NamedTuple):
    """Combined standard uncertainty, effective degrees of freedom, coverage factor for 95 %, expanded."""

    standard: float
    freedom: float
    factor: float
    expanded: float


class Line(NamedTuple):
    """y = intercept + slope * x by least squares; `scatter` of the points about it, with `freedom`.

    `correlation` is that of intercept and slope (GUM H.3.2).
    """

    intercept: float
    slope: float
    scatter: float
    freedom: int
    intercept_u: float
    slope_u: float
    correlation: float
    middle: float
    spread: float

    def u_at(self, x: float) -> float:
        """Standard uncertainty of the line at x, correlation included (GUM H.3.4); 0 with two points."""
        n = self.freedom + 2
        return self.scatter * math.sqrt(1 / n + (x - self.middle) ** 2 / self.spread)


def straight_line(x: Sequence[float], y: Sequence[float]) -> Line:
    """The line through two or more points (GUM H.3.2). ValueError for fewer, or when all x are alike."""
    n = len(x)
    if n < 2 or len(y) != n:
        raise ValueError("a line needs two points or more")
    middle = math.fsum(x) / n
    spread = math.fsum((value - middle) ** 2 for value in x)
    if spread == 0:
        raise ValueError("all points lie at one x")
    mean = math.fsum(y) / n
    slope = math.fsum((a - middle) * (b - mean) for a, b in zip(x, y, strict=True)) / spread
    left = [b - mean - slope * (a - middle) for a, b in zip(x, y, strict=True)]
    scatter = math.sqrt(math.fsum(value**2 for value in left) / (n - 2)) if n > 2 else 0.0
    squares = math.fsum(value**2 for value in x)
    return Line(
        intercept=mean - slope * middle,
        slope=slope,
        scatter=scatter,
        freedom=n - 2,
        intercept_u=scatter * math.sqrt(squares / (n * spread)),
        slope_u=scatter / math.sqrt(spread),
        correlation=-math.fsum(x) / math.sqrt(n * squares),
        middle=middle,
        spread=spread,
    )


def joined(parts: Sequence[Part]) -> Joined:
    """Contributions that do not depend on each other: root of the sum of squares (GUM 5.1.2), effective
    degrees of freedom after Welch and Satterthwaite (GUM G.4.1), not cut to a whole number.

    The expanded uncertainty is not that many degrees' Student factor: with one or two degrees in the largest
    part it would hold the truth in 87 % only. The distributions themselves are joined (JCGM 101, 6.4.9.4
    for what was seen, 6.4.7 for what is known), which is never short; docs/calibration.md has the figures.
    """
    variance = sum(part.standard**2 for part in parts)
    doubts = sum(part.standard**4 / part.freedom for part in parts if math.isfinite(part.freedom))
    freedom = variance**2 / doubts if doubts else math.inf
    standard = math.sqrt(variance)
    most = max(parts, key=lambda part: part.standard**4 / part.freedom, default=Part("nothing", 0.0))
    rest_variance = sum(part.standard**2 for part in parts if part is not most)
    rest_doubts = doubts - (most.standard**4 / most.freedom if math.isfinite(most.freedom) else 0.0)
    rest_freedom = rest_variance**2 / rest_doubts if rest_doubts > 0 and rest_variance > 0 else math.inf
    expanded = _half_width(most.standard, most.freedom, math.sqrt(rest_variance), max(rest_freedom, 1.0))
    return Joined(standard, freedom, expanded / standard if standard else coverage_factor(freedom), expanded)


@functools.lru_cache(64)
def coverage_factor(freedom: float, confidence: float = 0.95) -> float:
    """The two-sided factor of Student's t (GUM G.3.2). ValueError below one degree of freedom."""
    if freedom < 1:
        raise ValueError("at least one degree of freedom is needed")
    if freedom > 1e6:
        freedom = 1e6
    low, high = 0.0, 1e4
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if _within(middle, freedom) < confidence else (low, middle)
    return (low + high) / 2


def _within(t: float, freedom: float) -> float:
    """Chance that Student's t stays within plus or minus t: the integral of cos^(freedom-1) (Abramowitz and
    Stegun 26.7.1 with t = sqrt(freedom) tan(angle)), by Simpson's rule."""
    end = math.atan(t / math.sqrt(freedom))
    step = end / (_POINTS - 1)
    terms = [float(math.cos(i * step) ** (freedom - 1)) for i in range(_POINTS)]
    area = step / 3 * (terms[0] + 4 * sum(terms[1:-1:2]) + 2 * sum(terms[2:-1:2]) + terms[-1])
    scale = math.exp(math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2)) / math.sqrt(math.pi)
    return 2 * scale * area


def _half_width(one: float, one_freedom: float, other: float, other_freedom: float) -> float:
    """Half the width within which the sum of two scaled Student's t lies with 95 %."""
    if one == 0 or other == 0:
        which = (one, one_freedom) if other == 0 else (other, other_freedom)
        return coverage_factor(which[1]) * which[0]
    t, share = _points_of(one_freedom)
    low, high = 0.0, coverage_factor(one_freedom) * one + coverage_factor(other_freedom) * other
    for _ in range(32):
        middle = (low + high) / 2
        above, below = (middle - one * t) / other, (-middle - one * t) / other
        within = float(share @ (_below(above, other_freedom) - _below(below, other_freedom)))
        low, high = (middle, high) if within < 0.95 else (low, middle)
    return (low + high) / 2


@functools.lru_cache(64)
def _points_of(freedom: float) -> tuple[Floats, Floats]:
    """Values of Student's t and the share of each: equal steps in angle, midpoints."""
    freedom = min(freedom, 1e6)
    end = min(math.pi / 2, 12 / math.sqrt(freedom))  # beyond 12 standard deviations there is nothing
    angle = (np.arange(_STEPS) + 0.5) / _STEPS * 2 * end - end
    share = np.cos(angle) ** (freedom - 1)
    return math.sqrt(freedom) * np.tan(angle), share / share.sum()


def _below(t: Floats, freedom: float) -> Floats:
    """Chance that Student's t lies below t, from the same points."""
    values, share = _points_of(freedom)
    return np.interp(t, values, _sums(freedom), left=0.0, right=1.0)


@functools.lru_cache(64)
def _sums(freedom: float) -> Floats:
    share = _points_of(freedom)[1]
    return np.asarray(np.cumsum(share) - share / 2)
