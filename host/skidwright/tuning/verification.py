"""Set-point steps on the skid beside what the model foretold of them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from skidwright.tuning.foretold import foretell
from skidwright.tuning.identify import Model
from skidwright.tuning.trace import Trace


def compare(
    trace: Trace, model: Model, settings: dict[str, Any], held: list[tuple[float, int]]
) -> dict[str, Any]:
    """What was measured after each set-point step beside what the model foretold.

    IAE is the integral of the absolute error over the steps (uL), overshoot the worst one over the step's
    height. What is foretold of IAE counts the noise that the step test left over. The verdict is good when
    IAE is at most 1.5 times the foretold, flow stayed in its band and the last fifth of each hold lies within
    a tenth of the band about its set-point.
    """
    time_s, foretold, _ = foretell(model, settings, held, 60.0)
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
    iae_foretold, overshoot_foretold, _ = errors(time_s, foretold)
    # The mean absolute deviation of Gaussian noise is sqrt(2 / pi) of its standard deviation.
    iae_foretold += math.sqrt(2.0 / math.pi) * model.noise_ul_s * float(ends[-1] - ends[0])
    low, high = settings["flow_low_ul_s"], settings["flow_high_ul_s"]
    in_band = float(np.mean((trace.flow_ul_s >= low) & (trace.flow_ul_s <= high)))
    good = iae <= 1.5 * iae_foretold and in_band == 1.0 and rest < 0.1 * (high - low)
    return {
        "good": bool(good),
        "iae_ul": iae,
        "iae_foretold_ul": iae_foretold,
        "overshoot": overshoot,
        "overshoot_foretold": overshoot_foretold,
        "in_band": in_band,
        "time_s": time_s.round(3).tolist(),
        "foretold_ul_s": foretold.round(1).tolist(),
        "set_time_s": [0.0, *ends.round(3).tolist()],
        "set_ul_s": [*set_ul_s.tolist(), float(set_ul_s[-1])],
    }
