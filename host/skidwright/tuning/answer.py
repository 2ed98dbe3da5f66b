"""What a plain PI loop does after a step, in small steps of time: a measure of the gains alone.

The board itself takes a new set-point through a reference (`skidboard.controller`), see `foretold`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from skidwright.tuning.margins import Gains, Process
from skidwright.tuning.trace import Floats


@dataclass(frozen=True)
class Answer:
    """Flow and duty after a step of the set-point, as differences; arrays (n,), s, uL/s and per mille."""

    time_s: Floats
    flow_ul_s: Floats
    duty_permille: Floats

    def overshoot(self, step_ul_s: float) -> float:
        """Highest flow beyond the step, over the step."""
        return max(0.0, float(self.flow_ul_s.max()) / step_ul_s - 1.0)

    def iae_ul(self, step_ul_s: float) -> float:
        """Integral of the absolute error, uL."""
        return float(np.abs(self.flow_ul_s - step_ul_s).sum() * (self.time_s[1] - self.time_s[0]))


def set_point_step(process: Process, gains: Gains, step_ul_s: float, span_s: float) -> Answer:
    """A step of the set-point at 0 s, seen for `span_s`. No limits of duty, its slew or the pump."""
    shortest = min(process.tau_s, gains.ti_s, process.dead_s if process.dead_s > 0.02 else process.tau_s)
    dt = min(span_s / 400, shortest / 20)
    n = min(int(span_s / dt) + 1, 20_000)
    dt = span_s / (n - 1)
    lag = max(round(process.dead_s / dt), 0)
    decay = math.exp(-dt / process.tau_s)
    flow, duty = np.zeros(n), np.zeros(n)
    x = integral = 0.0
    for k in range(n):
        error = step_ul_s - x
        duty[k] = gains.kc * error + integral
        integral += gains.kc * error * dt / gains.ti_s
        flow[k] = x
        target = process.gain * (duty[k - lag] if k >= lag else 0.0)
        x = target + (x - target) * decay
        if abs(x) > 50.0 * abs(step_ul_s):  # unstable: the picture needs no more of it
            flow[k + 1 :] = x
            break
    return Answer(np.arange(n, dtype=np.float64) * dt, flow, duty)
