"""Random draws that cost little each, from one seed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

_BLOCK = 8192
# Below so many expected arrivals in a step they are drawn gap by gap.
_MANY = 8.0


def normals(seed: np.random.SeedSequence) -> Iterator[float]:
    """Standard normal deviates without end."""
    rng = np.random.Generator(np.random.PCG64(seed))
    while True:
        yield from rng.standard_normal(_BLOCK).tolist()


def _gaps(rng: np.random.Generator) -> Iterator[float]:
    while True:
        yield from rng.standard_exponential(_BLOCK // 8).tolist()


class Arrivals:
    """Independent Poisson processes whose rates may change from step to step.

    Few arrivals are drawn gap by gap, which is exact over any division into steps and costs one
    comparison when nothing comes; many are drawn as one Poisson number.
    """

    def __init__(self, seeds: Sequence[np.random.SeedSequence]) -> None:
        generators = [np.random.Generator(np.random.PCG64(s)) for s in seeds]
        self._poisson = [g.poisson for g in generators]
        self._gaps = [_gaps(g) for g in generators]
        self._to_next = [next(g) for g in self._gaps]

    def draw(self, rates: Sequence[float], exposure: float) -> list[int]:
        """Arrivals of each process in a step in which `rate * exposure` are expected."""
        to_next = self._to_next
        n = [0] * len(rates)
        for i, rate in enumerate(rates):
            mean = rate * exposure
            if mean > _MANY:
                n[i] = int(self._poisson[i](mean))
                continue
            left = to_next[i] - mean
            while left <= 0.0:
                n[i] += 1
                left += next(self._gaps[i])
            to_next[i] = left
        return n
