"""How a first-order lag answers a duty that is known piece by piece, exactly.

With x' = (u - x) / tau and u constant from change to change, x and its integral have closed forms, so mean
flow between two edges costs no more than flow at a moment.
"""

from __future__ import annotations

import numpy as np

from skidwright.tuning.trace import Floats, Trace


class DutyResponse:
    """The answer to the duty of a trace, at rest before its first row. Times in s, duty in per mille."""

    def __init__(self, trace: Trace) -> None:
        changed = np.flatnonzero(np.diff(trace.duty_permille) != 0) + 1
        self.change_s: Floats = trace.time_s[changed]
        self._value: Floats = trace.duty_permille[np.concatenate(([0], changed))]
        self._held_s: Floats = np.diff(self.change_s)
        # Integral of duty from the first change on, at each change.
        self._area = np.concatenate(([0.0], np.cumsum(self._value[1:-1] * self._held_s)))
        self._cache: dict[float, Floats] = {}

    @property
    def changes(self) -> int:
        """How many rows begin a new duty."""
        return int(self.change_s.size)

    def _states(self, tau_s: float) -> Floats:
        """x at each change."""
        known = self._cache.get(tau_s)
        if known is None:
            decay = np.exp(-self._held_s / tau_s)
            x = float(self._value[0])
            states = [x]
            for u, d in zip(self._value[1:-1].tolist(), decay.tolist(), strict=True):
                x = u + (x - u) * d
                states.append(x)
            if len(self._cache) > 200:
                self._cache.clear()
            known = self._cache[tau_s] = np.array(states)
        return known

    def at(self, time_s: Floats, tau_s: float) -> tuple[Floats, Floats]:
        """x, and the integral of the duty behind it, at moments (n,): per mille, and per mille times s."""
        place = np.searchsorted(self.change_s, time_s, side="right") - 1
        before = place < 0
        place = np.maximum(place, 0)
        since = time_s - self.change_s[place]
        u = np.where(before, self._value[0], self._value[place + 1])
        x = np.where(
            before, u, u + (self._states(tau_s)[place] - u) * np.exp(-np.maximum(since, 0.0) / tau_s)
        )
        return x, self._area[place] + u * since

    def mean(self, start_s: Floats, end_s: Floats, tau_s: float, dead_s: float) -> Floats:
        """Mean of x delayed by `dead_s` from start to end, arrays (n,); where they are equal, x there."""
        x_end, area_end = self.at(end_s - dead_s, tau_s)
        took = end_s - start_s
        if not took.any():
            return x_end
        x_start, area_start = self.at(start_s - dead_s, tau_s)
        # From the lag's own equation: the integral of x is that of u less tau times the change of x.
        mean = (area_end - area_start - tau_s * (x_end - x_start)) / np.where(took > 0, took, 1.0)
        return np.where(took > 0, mean, x_end)
