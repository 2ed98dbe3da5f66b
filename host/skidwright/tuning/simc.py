"""Gains of a PI controller by SIMC, and the margins they leave."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skidboard import settings

from skidwright.arrays import Floats
from skidwright.tuning.identify import Model

_SCAN = 4000


@dataclass(frozen=True)
class Process:
    """Gain (uL/s per per mille), time constant and dead time (s) of what a controller has before it."""

    gain: float
    tau_s: float
    dead_s: float


@dataclass(frozen=True)
class Gains:
    """PI: `kc` in per mille per uL/s, integral time in s."""

    kc: float
    ti_s: float


@dataclass(frozen=True)
class Margins:
    """Gain margin (ratio), phase margin (degrees), peak sensitivity Ms, and where (rad/s) each is."""

    gain_margin: float
    phase_margin_deg: float
    peak_sensitivity: float
    phase_crossover_rad_s: float
    gain_crossover_rad_s: float
    peak_rad_s: float

    @property
    def stable(self) -> bool:
        """Whether the closed loop is stable."""
        return self.gain_margin > 1.0 and self.phase_margin_deg > 0.0


def loop(process: Process, gains: Gains, w: Floats) -> NDArray[np.complex128]:
    """L(jw), complex, at frequencies w (n,) in rad/s."""
    s = 1j * w
    controller = gains.kc * (1.0 + 1.0 / (gains.ti_s * s))
    answer: NDArray[np.complex128] = (
        controller * process.gain * np.exp(-process.dead_s * s) / (process.tau_s * s + 1.0)
    )
    return answer


def _phase(process: Process, gains: Gains, w: float) -> float:
    """Phase of L in rad, unwrapped, from -pi/2 at w = 0."""
    return -math.pi / 2 + math.atan(gains.ti_s * w) - math.atan(process.tau_s * w) - process.dead_s * w


def _size(process: Process, gains: Gains, w: float) -> float:
    ti, tau = gains.ti_s * w, process.tau_s * w
    return gains.kc * process.gain * math.hypot(1.0, ti) / (ti * math.hypot(1.0, tau))


def margins(process: Process, gains: Gains) -> Margins:
    """All margins. `process.gain`, `gains.kc` and times must be above 0; the dead time may be 0."""
    dead_s = max(process.dead_s, 1e-9)
    process = Process(process.gain, process.tau_s, dead_s)
    fastest = 2.0 * math.pi / dead_s
    slowest = 1e-4 / (process.tau_s + dead_s + gains.ti_s)
    w = np.geomspace(slowest, fastest, _SCAN)
    phase = -math.pi / 2 + np.arctan(gains.ti_s * w) - np.arctan(process.tau_s * w) - dead_s * w
    below = int(np.argmax(phase <= -math.pi))
    w_phase = _crossing(
        lambda v: _phase(process, gains, v) + math.pi, float(w[max(below - 1, 0)]), float(w[below])
    )
    # |L| falls like 1/w at least, so this bracket always holds the crossover.
    low, high = slowest, fastest
    while _size(process, gains, low) < 1.0:
        low /= 10.0
    while _size(process, gains, high) > 1.0 and high < 1e9 * fastest:
        high *= 10.0
    w_gain = _crossing(lambda v: math.log(_size(process, gains, v)), low, high)
    ms, w_ms = _peak(process, gains, w)
    return Margins(
        gain_margin=1.0 / _size(process, gains, w_phase),
        phase_margin_deg=math.degrees(_phase(process, gains, w_gain) + math.pi),
        peak_sensitivity=ms,
        phase_crossover_rad_s=w_phase,
        gain_crossover_rad_s=w_gain,
        peak_rad_s=w_ms,
    )


def _crossing(f: Callable[[float], float], low: float, high: float) -> float:
    """Where the falling function f passes 0, by bisection on a logarithmic scale."""
    for _ in range(200):
        middle = math.sqrt(low * high)
        if f(middle) > 0:
            low = middle
        else:
            high = middle
        if high / low < 1.0 + 1e-13:
            break
    return math.sqrt(low * high)


def _peak(process: Process, gains: Gains, w: Floats) -> tuple[float, float]:
    """Largest |1 / (1 + L)| and where: a scan, refined around its best point."""
    for _ in range(3):
        sensitivity = 1.0 / np.abs(1.0 + loop(process, gains, w))
        best = int(np.argmax(sensitivity))
        top, at = float(sensitivity[best]), float(w[best])
        w = np.linspace(w[max(best - 1, 0)], w[min(best + 1, w.size - 1)], 400)
    return top, at


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

    The board calculates duty in millionths: 1 per mille per uL/s is 1000 ppm per uL/s.
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
