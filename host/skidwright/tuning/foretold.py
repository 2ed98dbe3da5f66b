"""What the board will do with a model before it: the firmware's own controller, run against it here."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from skidboard.flow import FINE
from skidboard.process import Process as BoardProcess

from skidwright.tuning.identify import Model
from skidwright.tuning.proposal import CONTROL_PERIOD_S
from skidwright.tuning.trace import Floats

_FINE = 20


class _Clock:
    """All that the firmware's control step asks of a board when it is made."""

    def ticks_ms(self) -> int:
        """Always 0: no step is taken here."""
        return 0

    ticks_us = ticks_ms


def foretell(
    model: Model, settings: dict[str, Any], set_points: list[tuple[float, int]], warm_up_s: float
) -> tuple[Floats, Floats, Floats]:
    """Time (s), flow as the board's estimator shows it (uL/s) and duty (per mille), arrays (n,), one a tick.

    `set_points` are (seconds it holds, uL/s) one after the other; the first is held for `warm_up_s` before
    time 0 as well. Near the duty of the step test the model's flow is right as a whole, not only its changes.
    """
    process = BoardProcess(_Clock())
    process.configure(settings)
    controller = process.controller
    fine_s = CONTROL_PERIOD_S / _FINE
    decay = math.exp(-fine_s / model.tau_s.value)
    lag = max(1, round(model.seen_dead_s / fine_s))
    pipe = [0.0] * lag
    x, at = 0.0, 0
    time_s, flow_ul_s, duty = [], [], []
    now = -warm_up_s
    plan = [(warm_up_s + set_points[0][0], set_points[0][1]), *set_points[1:]]
    for held_s, set_ul_s in plan:
        controller.aim(set_ul_s)
        for _ in range(round(held_s / CONTROL_PERIOD_S)):
            flow = max(0.0, model.flow0_ul_s + model.gain.value * x)
            controller.update(round(flow * FINE), True, round(CONTROL_PERIOD_S * 1000))
            time_s.append(now)
            flow_ul_s.append(flow)
            duty.append(float(controller.duty_permille))
            for _ in range(_FINE):
                delayed, pipe[at] = pipe[at], float(controller.duty_permille)
                at = (at + 1) % lag
                x = delayed + (x - delayed) * decay
            now += CONTROL_PERIOD_S
    kept = np.array(time_s) >= -1e-9
    return np.array(time_s)[kept], np.array(flow_ul_s)[kept], np.array(duty)[kept]
