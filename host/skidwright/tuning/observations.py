"""What a trace says about flow: means between a meter's edges, or readings at a moment.

A meter that gives pulses says nothing about flow at a moment: one pulse's volume divided by the time between
two edges is the mean flow between them, however fast flow has changed meanwhile. Taking it for a reading at
the later edge would add half a period to the dead time and blur the time constant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from skidwright.tuning.trace import Floats, Trace

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
