"""What the board does with a model before it, run here by its own controller, and whether the skid
does the same."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from skidboard.flow import FINE
from skidboard.process import Process as BoardProcess

from skidwright.arrays import Floats
from skidwright.tuning.identify import Model
from skidwright.tuning.proposal import CONTROL_PERIOD_S
from skidwright.tuning.trace import Trace

_FINE = 20


class _Clock:
    """All that the firmware's control step asks of a board when it is made."""

    def ticks_ms(self) -> int:
        """Always 0: no step is taken here."""
        return 0

    ticks_us = ticks_ms


def predict(
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


def compare(
    trace: Trace, model: Model, settings: dict[str, Any], held: list[tuple[float, int]]
) -> dict[str, Any]:
    """What was measured after each set-point step beside what the model predicted.

    IAE is the integral of the absolute error over the steps (uL), overshoot the worst one over the step's
    height. What is predicted of IAE counts the noise that the step test left over. The verdict is good when
    IAE is at most 1.5 times that, flow stayed in its band and the last fifth of each hold lies within
    a tenth of the band about its set-point.
    """
    time_s, predicted, _ = predict(model, settings, held, 60.0)
    ends = np.cumsum([s for s, _ in held])
    set_ul_s = np.array([s for _, s in held], float)

    def errors(when: Any, flow: Any) -> tuple[float, float, float]:
        place = np.minimum(np.searchsorted(ends, when, side="right"), len(held) - 1)
        error = flow - set_ul_s[place]
        stepped = place > 0
        dt = np.diff(when, append=when[-1])
        iae = float(np.sum(np.abs(error[stepped]) * dt[stepped]))
        over = 0.0
        settled = 0.0
        for k in range(1, len(held)):
            mine = place == k
            step = set_ul_s[k] - set_ul_s[k - 1]
            if mine.any() and step:
                over = max(over, float((error[mine] / step).max()))
                late = mine & (when > ends[k] - 0.2 * held[k][0])
                settled = max(settled, abs(float(error[late].mean())) if late.any() else 0.0)
        return iae, over, settled

    iae, overshoot, rest = errors(trace.time_s, trace.flow_ul_s)
    iae_predicted, overshoot_predicted, _ = errors(time_s, predicted)
    # The mean absolute deviation of Gaussian noise is sqrt(2 / pi) of its standard deviation.
    iae_predicted += math.sqrt(2.0 / math.pi) * model.noise_ul_s * float(ends[-1] - ends[0])
    low, high = settings["flow_low_ul_s"], settings["flow_high_ul_s"]
    in_band = float(np.mean((trace.flow_ul_s >= low) & (trace.flow_ul_s <= high)))
    good = iae <= 1.5 * iae_predicted and in_band == 1.0 and rest < 0.1 * (high - low)
    return {
        "good": bool(good),
        "iae_ul": iae,
        "iae_predicted_ul": iae_predicted,
        "overshoot": overshoot,
        "overshoot_predicted": overshoot_predicted,
        "in_band": in_band,
        "time_s": time_s.round(3).tolist(),
        "predicted_ul_s": predicted.round(1).tolist(),
        "set_time_s": [0.0, *ends.round(3).tolist()],
        "set_ul_s": [*set_ul_s.tolist(), float(set_ul_s[-1])],
    }
