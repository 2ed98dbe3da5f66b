"""What a trace says about flow: means between a meter's edges, or readings at a moment.

A meter that gives pulses says nothing about flow at a moment: one pulse's volume divided by the time between
two edges is the mean flow between them, however fast flow has changed meanwhile. Taking it for a reading at
the later edge would add half a period to the dead time and blur the time constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skidwright.arrays import Floats
from skidwright.tuning.trace import Trace


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


BETWEEN_EDGES = "between edges"
HELD = "held from edge to edge"
AT_A_MOMENT = "at a moment"
# Rows per change of value from which a column of flow is taken for one that is held from edge to edge.
_HELD_ROWS = 1.15
_HELD_SHARE = 0.85
_TINY = 1e-12


@dataclass(frozen=True)
class Observations:
    """`flow_ul_s[k]` is the mean flow from `start_s[k]` to `end_s[k]`, or at that moment when they are equal.

    `weight` (shape (n,), relative) is one over the standard deviation; `resolution_ul_s` the least standard
    deviation that the way of recording allows for; `step_ul_s` the smallest step in which the readings move.
    """

    start_s: Floats
    end_s: Floats
    flow_ul_s: Floats
    weight: Floats
    resolution_ul_s: Floats
    step_ul_s: float
    kind: str
    pulse_ul: float | None = None


def observe(trace: Trace) -> Observations:
    """The observations in a trace, of the best kind that it carries."""
    if trace.edge_s is not None and trace.volume_ul is not None:
        return _between_edges(trace)
    return _held(trace) or _at_a_moment(trace)


def _between_edges(trace: Trace) -> Observations:
    assert trace.edge_s is not None and trace.volume_ul is not None
    known = np.isfinite(trace.edge_s) & np.isfinite(trace.volume_ul)
    edge_s, volume_ul = trace.edge_s[known], trace.volume_ul[known]
    new = np.flatnonzero(np.diff(edge_s) > 0) + 1
    chosen = np.concatenate(([0], new)) if edge_s.size else np.zeros(0, int)
    edge_s, volume_ul = edge_s[chosen], volume_ul[chosen]
    passed = np.diff(volume_ul)
    took = np.diff(edge_s)
    pulse = float(passed[passed > 0].min()) if (passed > 0).any() else 0.0
    flow = passed / np.maximum(took, _TINY)
    # A pulse's volume varies from tooth to tooth: the relative error falls with the root of the number.
    weight = took / np.sqrt(np.maximum(passed / pulse, 1.0)) if pulse else took
    resolution = flow * 1e-5 / np.maximum(took, _TINY)
    return Observations(edge_s[:-1], edge_s[1:], flow, weight, resolution, 0.0, BETWEEN_EDGES, pulse or None)


def _held(trace: Trace) -> Observations | None:
    """When the flow column is a pulse's volume over the latest period, held until the next edge."""
    time_s, flow = trace.time_s, trace.flow_ul_s
    new = np.flatnonzero(np.diff(flow) != 0) + 1
    if new.size < 8 or time_s.size / new.size < _HELD_ROWS:
        return None
    at, value = time_s[new], flow[new]
    took, value_end = np.diff(at), value[1:]
    volume = value_end * took
    pulse = float(took.sum() / np.sum(1.0 / np.maximum(value_end, _TINY)))
    fits = np.abs(volume - pulse) <= 1.5 * value_end * trace.row_s + 1e-9 * pulse
    # A window count or a coarse converter repeats few values; periods of a pulse hardly ever repeat.
    distinct = np.unique(value).size / value.size
    if pulse <= 0 or fits.mean() < _HELD_SHARE or distinct < 0.5:
        return None
    end = at[1:] - trace.row_s / 2
    keep = value_end > 0
    period = pulse / np.maximum(value_end, _TINY)
    start = end - period
    # The edge lay somewhere between two rows, evenly likely.
    resolution = np.full(int(keep.sum()), 1e-6 * float(np.median(value)))
    weight = period / np.median(period)
    return Observations(start[keep], end[keep], value_end[keep], weight[keep], resolution, 0.0, HELD, pulse)


def _at_a_moment(trace: Trace) -> Observations:
    values = np.unique(trace.flow_ul_s)
    coarse = values.size < 0.2 * trace.time_s.size
    gaps = np.diff(values)
    # Of a column that knows few values the commonest small gap is its step.
    step = float(np.quantile(gaps, 0.25)) if coarse and gaps.size else 0.0
    resolution = np.full(trace.time_s.size, max(step / np.sqrt(12.0), 1e-6 * float(values.max(initial=0.0))))
    return Observations(
        trace.time_s, trace.time_s, trace.flow_ul_s, np.ones(trace.time_s.size), resolution, step, AT_A_MOMENT
    )
