"""Standard uncertainties joined as the GUM (JCGM 100:2008) asks."""

import math
from collections.abc import Sequence
from typing import NamedTuple

_POINTS = 2001


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


def joined(parts: Sequence[Part]) -> Joined:
    """Contributions that do not depend on each other: root of the sum of squares (GUM 5.1.2), effective
    degrees of freedom after Welch and Satterthwaite (GUM G.4.1), cut to a whole number as there.
    """
    variance = sum(part.standard**2 for part in parts)
    doubts = sum(part.standard**4 / part.freedom for part in parts if math.isfinite(part.freedom))
    freedom = variance**2 / doubts if doubts else math.inf
    standard = math.sqrt(variance)
    factor = coverage_factor(freedom)
    return Joined(standard, freedom, factor, factor * standard)


def coverage_factor(freedom: float, confidence: float = 0.95) -> float:
    """The two-sided factor of Student's t (GUM G.3.2). ValueError below one degree of freedom."""
    if freedom < 1:
        raise ValueError("at least one degree of freedom is needed")
    if freedom > 1e6:
        freedom = 1e6
    low, high = 0.0, 1e4
    for _ in range(100):
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
