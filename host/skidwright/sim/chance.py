"""Random draws that cost little each, from one seed."""

from __future__ import annotations

import numpy as np

_BLOCK = 8192


class Normals:
    """Standard normal deviates, drawn in blocks and handed out one at a time."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._block: list[float] = []

    def next(self) -> float:
        """One deviate."""
        if not self._block:
            self._block = self._rng.standard_normal(_BLOCK).tolist()
        return self._block.pop()


class Arrivals:
    """A Poisson process with a rate that may change: `count(mean)` arrivals in a step of that mean."""

    def __init__(self, seed: np.random.SeedSequence) -> None:
        self._rng = np.random.Generator(np.random.PCG64(seed))
        self._gaps: list[float] = []
        self._to_next = self._gap()

    def _gap(self) -> float:
        if not self._gaps:
            self._gaps = self._rng.standard_exponential(_BLOCK // 8).tolist()
        return self._gaps.pop()

    def count(self, mean: float) -> int:
        """How many arrive in a step in which `mean` are expected.

        Few are drawn gap by gap, which is exact over any division into steps and costs
        one comparison when nothing comes; many are drawn as one Poisson number.
        """
        if mean > 8.0:
            return int(self._rng.poisson(mean))
        left = self._to_next - mean
        n = 0
        while left <= 0.0:
            n += 1
            left += self._gap()
        self._to_next = left
        return n
