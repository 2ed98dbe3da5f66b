"""Standard uncertainties joined, and a straight line fitted, after the GUM (JCGM 100:2008, JCGM 101:2008)."""

import functools
import math
from collections.abc import Sequence
from typing import NamedTuple

_POINTS = 2001


class UncertaintyPart(NamedTuple):
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


class FittedLine(NamedTuple):
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


def straight_line(x: Sequence[float], y: Sequence[float]) -> FittedLine:
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
    return FittedLine(
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


def joined(parts: Sequence[UncertaintyPart]) -> Joined:
    """Contributions that do not depend on each other: root of the sum of squares (GUM 5.1.2), effective
    degrees of freedom after Welch and Satterthwaite (GUM G.4.1), not cut to a whole number.

    The expanded uncertainty is not that many degrees' Student factor, for with one or two degrees in the
    largest part it would hold the truth in 87 % only; nor JCGM 101's joined distribution, which holds it in
    up to 98.8 %. It is found by `_half_width`; docs/calibration.md has the figures.
    """
    standard, freedom = _together(parts)
    fewest = min(parts, key=lambda part: part.freedom, default=UncertaintyPart("nothing", 0.0))
    rest = _together([part for part in parts if part is not fewest])
    expanded = _half_width(*rest, fewest.standard, fewest.freedom)
    return Joined(standard, freedom, expanded / standard if standard else coverage_factor(freedom), expanded)


def _together(parts: Sequence[UncertaintyPart]) -> tuple[float, float]:
    """Combined standard uncertainty and its effective degrees of freedom."""
    variance = sum(part.standard**2 for part in parts)
    doubts = sum(part.standard**4 / part.freedom for part in parts if math.isfinite(part.freedom))
    return math.sqrt(variance), variance**2 / doubts if doubts else math.inf


def _half_width(better: float, better_freedom: float, poorer: float, poorer_freedom: float) -> float:
    """95 % limit of the sum of two, each by Student's factor alone a and b.

    The root of a^2 + b^2 is never short, and too wide where a and b are alike. How much is taken off there
    was chosen by integration over every ratio of the true scatters, so that 94 to 96 % are held with one
    degree of freedom, 94.4 to 95.2 % with more. Never less than the better known part alone.
    """
    a, b = coverage_factor(better_freedom) * better, coverage_factor(poorer_freedom) * poorer
    squares = a**2 + b**2
    if squares == 0:
        return 0.0
    alike = 2 * a * b / squares
    off = sum(0.7 / freedom + 1.1 / freedom**4 for freedom in (better_freedom, poorer_freedom))
    return max(a, math.sqrt(squares * max(1 - off * alike**3, 0.0)))


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
