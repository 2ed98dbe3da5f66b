"""SIMC: gains of a PI controller from a first-order model with dead time, and the board's settings for it.

S. Skogestad, "Simple analytic rules for model reduction and PID controller tuning", Journal of Process
Control 13 (2003) 291-309: kc = tau / (k (tau_c + theta)), ti = min(tau, 4 (tau_c + theta)). With
tau_c = theta and ti = tau this gives gain margin 3.14, phase margin 61.4 degrees and Ms 1.59.
"""

from __future__ import annotations

from skidboard import settings

from skidwright.tuning.identify import Model
from skidwright.tuning.margins import Gains, Process

GAIN = "gain_ppm_per_ul_s"
INTEGRAL = "integral_ms"
FULL = "pump_full_ul_s"
SLIP = "pump_slip_permille"


def simc(process: Process, closed_loop_s: float) -> Gains:
    """The gains for a wanted closed-loop time constant (s, above 0)."""
    sum_s = closed_loop_s + process.dead_s
    return Gains(process.tau_s / (process.gain * sum_s), min(process.tau_s, 4.0 * sum_s))


def to_settings(gains: Gains) -> dict[str, int]:
    """The board's settings nearest to the gains, within their ranges.

    The board reckons duty in millionths: 1 per mille per uL/s is 1000 ppm per uL/s.
    """
    return {
        GAIN: _within(GAIN, round(gains.kc * 1000.0)),
        INTEGRAL: _within(INTEGRAL, round(gains.ti_s * 1000.0)),
    }


def feedforward(model: Model) -> dict[str, int]:
    """The board's settings of the straight line of flow against duty, as the step test found it.

    Empty where the line is none that the settings can take, such as of a flow that stands at duty 0.
    """
    slip = -model.flow0_ul_s / model.gain.value
    full = 1000.0 * model.gain.value + model.flow0_ul_s
    if not (0.0 <= slip <= 500.0 and 100.0 <= full <= 60000.0):
        return {}
    return {FULL: round(full), SLIP: round(slip)}


def from_settings(values: dict[str, int]) -> Gains:
    """The gains that a board with these settings has."""
    return Gains(values[GAIN] / 1000.0, values[INTEGRAL] / 1000.0)


def _within(name: str, value: int) -> int:
    _, low, high, _ = settings.TABLE[name]
    return min(max(value, low), high)
