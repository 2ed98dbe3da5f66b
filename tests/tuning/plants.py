"""Plants to identify, computed by stepping a lag in small steps, and the meters in front of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from skidwright.tuning.trace import Trace

FINE_S = 0.002


@dataclass(frozen=True)
class Plant:
    """Gain in uL/s per per mille, times in s, flow at the lower duty; the meter's pulse and its scatter."""

    gain: float
    tau_s: float
    dead_s: float
    low_ul_s: float
    pulse_ul: float
    scatter: float = 0.01


def random_plant(rng: np.random.Generator, coarsest_ul: float = 400.0) -> Plant:
    """A pump and line as they come: lags of 0.4 to 4 s, dead time a quarter of the lag up to as long."""
    tau_s = float(np.exp(rng.uniform(np.log(0.4), np.log(4.0))))
    return Plant(
        gain=float(rng.uniform(1.0, 5.0)),
        tau_s=tau_s,
        dead_s=tau_s * float(rng.uniform(0.25, 1.0)),
        low_ul_s=float(rng.uniform(600.0, 900.0)),
        pulse_ul=float(np.exp(rng.uniform(np.log(20.0), np.log(coarsest_ul)))),
    )


def square_duty(hold_s: float, cycles: int, low: float, high: float) -> np.ndarray:
    """Duty in steps of FINE_S: low, then so many times high and low."""
    n = round(hold_s / FINE_S)
    return np.concatenate([np.full(n, low)] + [np.full(n, d) for _ in range(cycles) for d in (high, low)])


def flow_of(plant: Plant, duty: np.ndarray) -> np.ndarray:
    """Flow in steps of FINE_S: the lag's own equation, step by step, behind a delay line."""
    delay = round(plant.dead_s / FINE_S)
    delayed = np.concatenate((np.full(delay, duty[0]), duty))[: duty.size]
    decay = np.exp(-FINE_S / plant.tau_s)
    x, out = float(duty[0]), []
    for u in delayed.tolist():
        out.append(x)
        x = u + (x - u) * decay
    return plant.low_ul_s + plant.gain * (np.array(out) - float(duty[0]))


def meter_edges(plant: Plant, flow: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Times of the meter's edges; every pulse stands for a slightly different volume."""
    t = np.arange(flow.size) * FINE_S
    volume = np.concatenate(([0.0], np.cumsum((flow[1:] + flow[:-1]) / 2 * FINE_S)))
    n = int(volume[-1] / plant.pulse_ul * 1.2) + 10
    marks = plant.pulse_ul * (np.cumsum(1 + plant.scatter * rng.standard_normal(n)) - rng.uniform(0, 1))
    return np.interp(marks[(marks > 0) & (marks < volume[-1])], volume, t)


def trace_of(
    plant: Plant, duty: np.ndarray, rng: np.random.Generator, edges: bool = True, row_s: float = 0.1
) -> Trace:
    """What a logger writes every `row_s`: duty, and flow as pulse volume over the latest period."""
    edge = meter_edges(plant, flow_of(plant, duty), rng)
    every = round(row_s / FINE_S)
    at = np.arange(0, duty.size, every)
    time_s = at * FINE_S
    seen = np.searchsorted(edge, time_s, side="right")
    ok = seen >= 2
    time_s, seen = time_s[ok], seen[ok]
    flow = plant.pulse_ul / (edge[seen - 1] - edge[seen - 2])
    if not edges:
        return Trace(time_s, duty[at][ok], flow)
    return Trace(time_s, duty[at][ok], flow, edge[seen - 1], seen * plant.pulse_ul)


def step_test(plant: Plant, cycles: int, rng: np.random.Generator, edges: bool = True) -> Trace:
    """Steps that move flow by 200 uL/s, each held for five times lag and dead time."""
    hold_s = round(5 * (plant.tau_s + plant.dead_s), 1)
    return trace_of(plant, square_duty(hold_s, cycles, 300.0, 300.0 + 200.0 / plant.gain), rng, edges)
