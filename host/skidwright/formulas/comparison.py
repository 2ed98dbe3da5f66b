"""Two counts compared, as counting statistics allow.

Given their sum, one of two Poisson counts is binomial: J. Przyborowski and H.
Wilenski, Biometrika 31, 1940. Limits of the ratio after C. J. Clopper and E. S.
Pearson, Biometrika 26, 1934. The uncertainty of the volumes is averaged over as
a log-normal spread of their ratio.
"""

import math
from typing import NamedTuple

import numpy as np

from skidwright.formulas.counting import checked_uncertainty, checked_volume, tail_of
from skidwright.formulas.distributions import binomial_tail


class Comparison(NamedTuple):
    """Two samples compared: the ratio of the first's concentration to the second's, and its limits.

    `p_value` is how often two samples of one and the same fluid differ by as much or more.
    """

    p_value: float
    ratio: float
    ratio_low: float
    ratio_high: float


def compare(
    count_a: int,
    volume_a_ml: float,
    count_b: int,
    volume_b_ml: float,
    volume_uncertainty: float = 0.0,
    confidence: float = 0.95,
) -> Comparison:
    """Do two counts come from fluids of one concentration? Two-sided, by the conditional binomial test.

    `volume_uncertainty` is the relative standard uncertainty of each volume that is not common to both.
    ValueError when a count is negative or not whole, both are 0, or a volume not above 0.
    """
    pair = _Pair(count_a, volume_a_ml, count_b, volume_b_ml, volume_uncertainty)
    tail = tail_of(confidence)
    return Comparison(
        p_value=pair.p_value(),
        ratio=math.inf if count_b == 0 else count_a * volume_b_ml / (count_b * volume_a_ml),
        ratio_low=0.0 if count_a == 0 else pair.ratio_at(tail, upper=True),
        ratio_high=math.inf if count_b == 0 else pair.ratio_at(tail, upper=False),
    )


def p_value_of_same(
    count_a: int, volume_a_ml: float, count_b: int, volume_b_ml: float, volume_uncertainty: float = 0.0
) -> float:
    """The `p_value` of `compare` alone, which is quicker; same arguments and errors."""
    return _Pair(count_a, volume_a_ml, count_b, volume_b_ml, volume_uncertainty).p_value()


class _Pair:
    """Two counts, and the distribution of the first given their sum."""

    def __init__(
        self, count_a: int, volume_a_ml: float, count_b: int, volume_b_ml: float, relative: float
    ) -> None:
        for count in (count_a, count_b):
            if count < 0 or count != int(count):
                raise ValueError(f"count: {count} is not a whole number from 0 up")
        if count_a == count_b == 0:
            raise ValueError("two counts of 0 cannot be compared")
        checked_volume([volume_a_ml, volume_b_ml])
        self._a, self._b = int(count_a), int(count_b)
        self._spread = math.sqrt(2) * float(checked_uncertainty(relative))
        # the ratio of the volumes is spread log-normally: nodes and weights of that spread
        nodes = np.linspace(-4, 4, 17) if self._spread else np.zeros(1)
        self._weights = np.exp(-(nodes**2) / 2)
        self._weights /= self._weights.sum()
        self._log_volumes = math.log(volume_a_ml / volume_b_ml) + self._spread * nodes

    def tail_at(self, log_ratio: float, upper: bool) -> float:
        """Chance of a first count as low (or, with `upper`, as high) at a ratio of concentrations."""
        share = 1 / (1 + np.exp(-np.clip(self._log_volumes + log_ratio, -30, 30)))
        return float(self._weights @ binomial_tail(self._a, self._a + self._b, share, upper))

    def p_value(self) -> float:
        return min(1.0, 2 * min(self.tail_at(0.0, False), self.tail_at(0.0, True)))

    def ratio_at(self, tail: float, upper: bool) -> float:
        """The ratio at which the tail is as wanted, by the Illinois variant of false position."""
        middle = math.log((self._a + 0.5) / (self._b + 0.5)) - float(self._log_volumes.mean())
        width = math.sqrt(1 / (self._a + 0.5) + 1 / (self._b + 0.5) + self._spread**2)
        ends = [middle - 10 * width, middle + 10 * width]
        values = [math.log(max(self.tail_at(x, upper), 1e-300) / tail) for x in ends]
        last = -1
        for _ in range(100):
            x = (ends[0] * values[1] - ends[1] * values[0]) / (values[1] - values[0])
            value = math.log(max(self.tail_at(x, upper), 1e-300) / tail)
            if abs(value) < 1e-11 or ends[1] - ends[0] < 1e-12:
                break
            side = 0 if (value > 0) == (values[0] > 0) else 1
            ends[side], values[side] = x, value
            if side == last:
                values[1 - side] /= 2
            last = side
        return math.exp(x)
