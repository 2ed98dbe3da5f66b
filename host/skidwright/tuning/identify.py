"""A first-order model with dead time from the trace of a step test, with confidence intervals.

    flow(t) = flow0 + gain * x(t - dead time),   tau * x' + x = duty

Gain, flow0 and a slow drift are linear in the model and are solved for exactly for each pair of time constant
and dead time (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432), so the search
is over two numbers: a grid, then Gauss-Newton with the Jacobian of all of them. Noise is whitened with an
autoregressive model of the residuals, and the covariance is that of the whitened problem.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from skidwright.arrays import Floats
from skidwright.errors import NoModel
from skidwright.formulas.distributions import student_quantile
from skidwright.tuning.observations import AT_A_MOMENT, DutyResponse, Observations, observe
from skidwright.tuning.trace import Trace

_ORDER_MAX = 6


def autoregression(residuals: Floats) -> Floats:
    """Coefficients a (p,) of r[k] = a[0] r[k-1] + ... + noise, p by Akaike's criterion (corrected), 0 to 6.

    Yule-Walker equations (Box and Jenkins, Time Series Analysis), which always give a stable model.
    """
    n = residuals.size
    best, best_score = np.zeros(0), n * np.log(max(float(residuals @ residuals) / n, 1e-300)) + 2.0
    for order in range(1, min(_ORDER_MAX, n // 12) + 1):
        cov = np.array([residuals[: n - k] @ residuals[k:] / n for k in range(order + 1)])
        if cov[0] <= 0:
            break
        matrix = cov[np.abs(np.subtract.outer(np.arange(order), np.arange(order)))]
        a = np.linalg.solve(matrix + np.eye(order) * 1e-12 * cov[0], cov[1:])
        left = max(float(cov[0] - a @ cov[1:]), 1e-300)
        score = n * np.log(left) + 2.0 * (order + 1) * n / max(n - order - 2, 1)
        if score < best_score - 2.0:
            best, best_score = a, score
    return best


def whiten(columns: Floats, coefficients: Floats) -> Floats:
    """Columns (n,) or (n, m) with what the past predicts taken away; the first rows stay as they are."""
    out = columns.copy()
    for lag, a in enumerate(coefficients, 1):
        out[lag:] -= a * columns[:-lag]
    return out


OBSERVATIONS_MIN = 15
# Beyond these half-widths of the 95 % intervals gains would be guesses.
GAIN_WIDTH_MAX = 0.25
LAG_WIDTH_MAX = 0.35
_SEEN_T = 6.0
_STEPS_OF_READING_MIN = 5.0
_GRID_TAU, _GRID_DEAD = 24, 25
_ROUNDS = 3


@dataclass(frozen=True)
class Estimate:
    """A value and the half-width of its 95 % interval."""

    value: float
    half_width: float

    @property
    def low(self) -> float:
        """Lower end of the interval."""
        return self.value - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the interval."""
        return self.value + self.half_width

    @property
    def relative(self) -> float:
        """Half-width over value."""
        return self.half_width / abs(self.value) if self.value else float("inf")


@dataclass(frozen=True)
class Model:
    """What was identified. Gain in uL/s per per mille of duty, times in s.

    `seen_dead_s` is the dead time of flow as the trace's flow column shows it: the process's, and what the
    estimator behind the meter adds. `noise_ul_s` is the standard deviation of what the model leaves over.
    """

    gain: Estimate
    tau_s: Estimate
    dead_s: Estimate
    seen_dead_s: float
    flow0_ul_s: float
    drift_ul_s2: float
    noise_ul_s: float
    memory: tuple[float, ...]
    observations: int
    kind: str
    pulse_ul: float | None
    duty_low_permille: float
    duty_high_permille: float


class _Fit:
    """The least-squares problem of one trace."""

    def __init__(self, trace: Trace, seen: Observations) -> None:
        self.seen = seen
        self.response = DutyResponse(trace)
        middle = (seen.start_s + seen.end_s) / 2
        self.fixed = np.ones((middle.size, 1))
        if self.response.changes >= 3:
            # With steps up and down a drift (fluid warming) can be told from the steps' own effect.
            slope = (middle - middle.mean()) / max(float(np.ptp(middle)), 1e-9)
            self.fixed = np.column_stack([self.fixed, slope])
        self.weight = seen.weight / float(np.sqrt(np.mean(seen.weight**2)))
        self.memory = np.zeros(0)

    def shaped(self, columns: Floats) -> Floats:
        """Weighted and whitened."""
        weight = self.weight if columns.ndim == 1 else self.weight[:, None]
        return whiten(columns * weight, self.memory)

    def x(self, tau_s: float, dead_s: float) -> Floats:
        return self.response.mean(self.seen.start_s, self.seen.end_s, tau_s, dead_s)

    def prepare(self) -> None:
        """What does not depend on the two numbers searched for, with the present memory."""
        self._q, _ = np.linalg.qr(self.shaped(self.fixed))
        y = self.shaped(self.seen.flow_ul_s)
        self._y = y - self._q @ (self._q.T @ y)

    def cost(self, tau_s: float, dead_s: float) -> float:
        """Sum of squares left when the linear part is solved for."""
        x = self.shaped(self.x(tau_s, dead_s))
        x = x - self._q @ (self._q.T @ x)
        power = float(x @ x)
        y = self._y
        return float(y @ y) - (float(x @ y) ** 2 / power if power > 1e-12 else 0.0)

    def linear(self, tau_s: float, dead_s: float) -> tuple[Any, Any]:
        """(gain, flow0, drift ...) and the residuals, neither weighted nor whitened."""
        columns = np.column_stack([self.x(tau_s, dead_s), self.fixed])
        solved = np.linalg.lstsq(self.shaped(columns), self.shaped(self.seen.flow_ul_s), rcond=None)[0]
        return solved, self.seen.flow_ul_s - columns @ solved

    def jacobian(self, tau_s: float, dead_s: float, gain: float) -> Floats:
        """d model / d (tau, dead time, gain, flow0, ...), weighted and whitened."""
        h_tau, h_dead = 1e-3 * tau_s, 1e-3 * (tau_s + dead_s)
        d_tau = (self.x(tau_s + h_tau, dead_s) - self.x(tau_s - h_tau, dead_s)) / (2 * h_tau)
        d_dead = (self.x(tau_s, dead_s + h_dead) - self.x(tau_s, dead_s - h_dead)) / (2 * h_dead)
        columns = [gain * d_tau, gain * d_dead, self.x(tau_s, dead_s), *self.fixed.T]
        return self.shaped(np.column_stack(columns))


def identify(trace: Trace) -> Model:
    """The model that a trace carries. Raises NoModel when it carries none, with the reason and a remedy."""
    seen = observe(trace)
    where = trace.source
    fit = _Fit(trace, seen)
    if fit.response.changes == 0:
        raise NoModel("no step seen: the duty never changes", where, "step the duty up and down in the test")
    if seen.flow_ul_s.size < OBSERVATIONS_MIN:
        what = f"meter too coarse: {seen.flow_ul_s.size} readings of flow, {OBSERVATIONS_MIN} are needed"
        raise NoModel(what, where, "repeat the steps, or hold each longer")
    tau_s, dead_s = _search(fit, trace)
    _, residuals = fit.linear(tau_s, dead_s)
    for _ in range(_ROUNDS):
        fit.memory = autoregression(residuals * fit.weight)
        fit.prepare()
        tau_s, dead_s = _gauss_newton(fit, tau_s, dead_s)
        solved, residuals = fit.linear(tau_s, dead_s)
    return _judged(trace, fit, tau_s, dead_s, solved, residuals)


def _limits(fit: _Fit, trace: Trace) -> tuple[float, float, float]:
    """Shortest and longest time constant, longest dead time that the trace can show."""
    changes = fit.response.change_s
    after = float(trace.time_s[-1] - changes[0])
    ends = np.append(changes, trace.time_s[-1])
    longest_hold = float(np.diff(ends).max()) if ends.size > 1 else after
    return max(trace.row_s / 5, 1e-3), 3.0 * longest_hold, 0.8 * longest_hold


def _search(fit: _Fit, trace: Trace) -> tuple[float, float]:
    """The best point of a grid, then of a finer one around it."""
    fit.prepare()
    tau_low, tau_high, dead_high = _limits(fit, trace)
    taus = np.geomspace(tau_low, tau_high, _GRID_TAU)
    deads = np.concatenate(([0.0], np.geomspace(tau_low, dead_high, _GRID_DEAD - 1)))
    best = (float("inf"), tau_low, 0.0)
    for _ in range(2):
        for tau_s in taus:
            for dead_s in deads:
                best = min(best, (fit.cost(float(tau_s), float(dead_s)), float(tau_s), float(dead_s)))
        ratio = (tau_high / tau_low) ** (1.2 / (_GRID_TAU - 1))
        taus = np.geomspace(best[1] / ratio, best[1] * ratio, 9)
        near = (dead_high / tau_low) ** (1.2 / (_GRID_DEAD - 2))
        deads = np.linspace(best[2] / near, best[2] * near + 0.5 * tau_low, 9)
    return best[1], best[2]


def _gauss_newton(fit: _Fit, tau_s: float, dead_s: float) -> tuple[float, float]:
    """Down to the minimum, with halved steps where a whole one does not help."""
    cost = fit.cost(tau_s, dead_s)
    for _ in range(30):
        solved, residuals = fit.linear(tau_s, dead_s)
        columns = fit.jacobian(tau_s, dead_s, float(solved[0]))
        step = np.linalg.lstsq(columns, fit.shaped(residuals), rcond=None)[0][:2]
        for shrink in (1.0, 0.5, 0.25, 0.1, 0.02):
            tau_new = float(np.clip(tau_s + shrink * step[0], tau_s / 2, tau_s * 2))
            dead_new = max(0.0, dead_s + shrink * float(step[1]))
            cost_new = fit.cost(tau_new, dead_new)
            if cost_new < cost:
                break
        else:
            return tau_s, dead_s
        small = cost - cost_new < 1e-9 * cost
        tau_s, dead_s, cost = tau_new, dead_new, cost_new
        if small:
            break
    return tau_s, dead_s


def _judged(trace: Trace, fit: _Fit, tau_s: float, dead_s: float, solved: Floats, residuals: Floats) -> Model:
    """The model with its intervals, unless they are too wide."""
    seen, where = fit.seen, trace.source
    white = fit.shaped(residuals)
    columns = fit.jacobian(tau_s, dead_s, float(solved[0]))
    freedom = white.size - columns.shape[1] - fit.memory.size
    # Whitened noise can be no smaller than the way of recording allows for.
    floor = float(np.mean((seen.resolution_ul_s * fit.weight) ** 2))
    variance = max(float(white @ white) / max(freedom, 1), floor)
    spread = np.sqrt(np.maximum(np.diag(np.linalg.pinv(columns.T @ columns)), 0.0) * variance)
    wide = student_quantile(0.975, max(freedom, 1.0)) * spread
    gain = Estimate(float(solved[0]), float(wide[2]))
    tau, dead = Estimate(tau_s, float(wide[0])), Estimate(dead_s, float(wide[1]))
    duty = trace.duty_permille
    answer = gain.value * float(np.ptp(duty))
    if gain.value < -_SEEN_T * spread[2]:
        what = f"flow falls as duty rises, by {-answer:.3g} uL/s over the steps"
        raise NoModel(what, where, "look for swapped wires, or swapped columns")
    # A meter that never moved has a gain and a noise of nothing.
    if gain.value <= 0 or gain.value < _SEEN_T * spread[2]:
        what = f"no step seen: flow answers the duty's steps by {answer:.3g} uL/s, within its noise"
        raise NoModel(what, where, "take larger steps of duty, or hold each longer")
    if answer < _STEPS_OF_READING_MIN * seen.step_ul_s:
        what = f"meter too coarse: it reads in steps of {seen.step_ul_s:.3g} uL/s, flow moved by {answer:.3g}"
        raise NoModel(what, where, "record the times of the meter's edges, or take larger steps of duty")
    lag = tau.value + dead.value
    worst = max(tau.half_width, dead.half_width) / lag
    if gain.relative > GAIN_WIDTH_MAX or worst > LAG_WIDTH_MAX:
        what = (
            f"meter too coarse for this test: gain known to {gain.relative:.0%}, time constant and dead time "
            f"to {worst:.0%} of their sum"
        )
        raise NoModel(what, where, "repeat the steps more often, or use a meter with a smaller pulse")
    drift = (
        float(solved[2]) / max(float(np.ptp((seen.start_s + seen.end_s) / 2)), 1e-9)
        if solved.size > 2
        else 0.0
    )
    return Model(
        gain=gain,
        tau_s=tau,
        dead_s=dead,
        seen_dead_s=_seen_dead(trace, fit, tau_s, dead_s),
        flow0_ul_s=float(solved[1]),
        drift_ul_s2=drift,
        noise_ul_s=float(np.std(residuals)),
        memory=tuple(float(a) for a in fit.memory),
        observations=int(seen.flow_ul_s.size),
        kind=seen.kind,
        pulse_ul=seen.pulse_ul,
        duty_low_permille=float(duty.min()),
        duty_high_permille=float(duty.max()),
    )


def _seen_dead(trace: Trace, fit: _Fit, tau_s: float, dead_s: float) -> float:
    """Dead time of the flow column itself, with the time constant as found: what a controller has to bear."""
    if fit.seen.kind == AT_A_MOMENT:
        return dead_s
    fixed = np.ones((trace.time_s.size, 1))
    if fit.fixed.shape[1] > 1:
        fixed = np.column_stack([fixed, trace.time_s - trace.time_s.mean()])

    def cost(dead: float) -> float:
        x, _ = fit.response.at(trace.time_s - dead, tau_s)
        columns = np.column_stack([x, fixed])
        solved = np.linalg.lstsq(columns, trace.flow_ul_s, rcond=None)[0]
        left = trace.flow_ul_s - columns @ solved
        return float(left @ left)

    period = float(np.median(fit.seen.end_s - fit.seen.start_s))
    tries = dead_s + np.linspace(0.0, 4.0 * period + 2.0, 41)
    for _ in range(2):
        best = float(tries[int(np.argmin([cost(float(d)) for d in tries]))])
        step = float(tries[1] - tries[0])
        tries = np.linspace(max(best - step, 0.0), best + step, 21)
    return max(best, dead_s)
