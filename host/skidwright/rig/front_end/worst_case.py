"""Worst case over tolerances: a quantity at every corner of its parts' tolerances.

A quantity that is monotone in each part has its extremes at corners, and that holds for every formula here.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """A computed figure with its worst case, the limits it must keep, and what to do when it does not."""

    name: str
    unit: str
    low: float
    nominal: float
    high: float
    source: str
    at_least: float | None = None
    at_most: float | None = None
    remedy: str = ""

    @property
    def ok(self) -> bool:
        """True when the worst case keeps both limits."""
        return (self.at_least is None or self.low >= self.at_least) and (
            self.at_most is None or self.high <= self.at_most
        )

    def shortfall(self) -> str:
        """One sentence for a quantity that is not ok."""
        if self.at_least is not None and self.low < self.at_least:
            said = f"is {self.low:.4g} {self.unit} at the worst, at least {self.at_least:.4g} is needed"
        else:
            said = f"is {self.high:.4g} {self.unit} at the worst, at most {self.at_most:.4g} is allowed"
        return f"{self.name} {said}; {self.remedy}"


def band(nominal: float, percent: float) -> tuple[float, float, float]:
    """(low, nominal, high) of a part with a tolerance of plus and minus `percent`."""
    return nominal * (1 - percent / 100), nominal, nominal * (1 + percent / 100)


def fixed(value: float) -> tuple[float, float, float]:
    """(low, nominal, high) of a figure that is computed at its worst already."""
    return value, value, value


def extremes(
    function: Callable[..., float], **parts: tuple[float, float, float]
) -> tuple[float, float, float]:
    """(low, nominal, high) of `function(**parts)` with each part given as (low, nominal, high)."""
    names = list(parts)
    corners = [
        function(**dict(zip(names, values, strict=True)))
        for values in itertools.product(*((p[0], p[2]) for p in parts.values()))
    ]
    nominal = function(**{name: p[1] for name, p in parts.items()})
    return min(corners), nominal, max(corners)
