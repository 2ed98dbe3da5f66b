"""The decay of one quantity in a well-mixed tank, fitted to samples.

    N(t) = floor + (N0 - floor) exp(-t / tau),    1 / tau = Q / V (1 - 1 / ratio),    floor = tau R

Q is the flow through the filter, V the tank, `ratio` the filtration ratio (beta) at that size, R what comes
in for each unit of volume and time: the mass balance V dN/dt = V R - Q (1 - 1 / ratio) N of the single-tank
model (E. C. Fitch, Fluid Contamination Control, 1988; from memory). For a given rate the model is linear, so
that least squares need no start values and cannot run astray: the rates are gone through on a grid.

Particles are weighted by Poisson's variance and a relative scatter beside it, which is found so that the
squared residuals come out as large as they should (iteratively reweighted least squares). Intervals are
profiles of the weighted sum of squares: parameters outside it fit the samples worse by Student's t squared.
Samples may be alike from one to the next: t squared is multiplied by how much more the parameters then vary,
by all noise that may be (`judgement.line`). Samples further than three robust standard deviations from the
decay count as lying there (P. J. Huber, Annals of Mathematical Statistics 35, 1964).

A filter loads, and its rate falls meanwhile. How far a rate that falls by a tenth from the first to the last
sample moves what is fitted follows from the model to first order; the limits are that much wider.
"""

from __future__ import annotations

import math
from copy import copy
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats
from skidwright.formulas.distributions import student_quantile
from skidwright.judgement.line import wider
from skidwright.judgement.noise import MAD_TO_SD

CONFIDENCE = 0.95
FEWEST = 6
# Squares won over "stands still" that are no chance: chi-square, 2 degrees of freedom, 1 in 1000.
_SEEN = 13.8
_GRID = 240
_SCATTER_MOST = 0.25
_FURTHEST = 500.0
# The rate of the filter may fall by so much from the first sample to the last (this project's judgement).
LOADING = 0.1
_HELD = 3.0


class FitInterval(NamedTuple):
    """A value with its 95 % limits; infinite where nothing bounds it."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class NoFit:
    """Why the samples carry no decay. `level`: where they stand when they do not fall."""

    why: str
    level: FitInterval | None = None


@dataclass(frozen=True)
class Decay:
    """A fitted decay. Times are seconds since the first sample; levels are in the unit of the samples.

    `scatter` is the relative standard deviation of a sample beyond counting (of water: the absolute one).
    """

    n: int
    start: FitInterval
    floor: FitInterval
    rate_per_s: FitInterval
    scatter: float
    last_s: float
    sums: _Sums

    def at(self, time_s: ArrayLike) -> Floats:
        """The fitted level at times in seconds since the first sample."""
        fall = np.exp(-self.rate_per_s.value * np.asarray(time_s, np.float64))
        return np.asarray(self.floor.value + (self.start.value - self.floor.value) * fall)

    @property
    def tau_s(self) -> FitInterval:
        """Time constant in seconds."""
        k = self.rate_per_s
        return FitInterval(1 / k.value, 1 / k.high, 1 / k.low)

    def time_to(self, limit: float) -> FitInterval:
        """Seconds since the first sample at which the level comes down to `limit`; infinite for never."""
        return self.sums.time_to(limit, self)

    def ratio(self, turnover_per_s: float) -> FitInterval:
        """Effective filtration ratio, the tank going through the filter `turnover_per_s` times a second."""
        if not turnover_per_s > 0:
            raise ValueError("turnover_per_s must be above 0")

        def of(rate: float) -> float:
            kept = 1 - rate / turnover_per_s
            return 1 / kept if kept > 0 else math.inf

        k = self.rate_per_s
        return FitInterval(of(k.value), of(k.low), of(k.high))


def fit(time_s: ArrayLike, level: ArrayLike, volume_ml: ArrayLike | None = None) -> Decay | NoFit:
    """Fit the decay to levels at times in seconds, oldest first.

    With `volume_ml` the levels are particles per mL counted in that volume; without, any quantity whose
    samples scatter alike. Samples that cannot carry a decay give a NoFit that says why. ValueError when the
    arrays do not match or times do not rise.
    """
    t, y = np.asarray(time_s, np.float64), np.asarray(level, np.float64)
    if t.ndim != 1 or t.shape != y.shape or np.any(np.diff(t) <= 0) or not np.isfinite(y).all():
        raise ValueError("times that rise and as many finite levels are needed")
    volume = None if volume_ml is None else np.broadcast_to(np.asarray(volume_ml, np.float64), y.shape)
    if volume is not None and not np.all(volume > 0):
        raise ValueError("volume_ml must be above 0")
    if len(t) < FEWEST:
        return NoFit(f"{len(t)} valid samples so far; {FEWEST} are needed")
    work = _Sums(t - t[0], y, volume)
    work.settle()
    return work.decay()


def _around(value: float, low: float, high: float, more: float) -> FitInterval:
    """A value with its limits, each further out by `more`; the value is never outside them."""
    return FitInterval(value, max(min(low, value) - abs(more), 0.0), max(high, value) + abs(more))


class _Sums:
    """Weighted sums over the samples for each rate of a grid; from them all else follows in closed form."""

    def __init__(self, x: Floats, y: Floats, volume: Floats | None) -> None:
        self.x, self.y, self.volume = x, y, volume
        span, step = float(x[-1]), float(np.median(np.diff(x)))
        self.rates = np.geomspace(0.02 / span, 4.0 / step, _GRID)
        self.scatter = 0.0
        self.held = np.ones_like(y)
        self.weights = volume / np.maximum(y, 1 / volume) if volume is not None else np.ones_like(y)
        self._sum()

    def _sum(self) -> None:
        w, y = self.weights, self.y
        fall = np.exp(-np.outer(self.rates, self.x))
        self.s1, self.sy, self.syy = float(w.sum()), float(w @ y), float(w @ (y * y))
        self.se, self.see, self.sey = fall @ w, (fall * fall) @ w, fall @ (w * y)

    def _best(self) -> tuple[Floats, Floats, Floats]:
        """For each rate: floor and height, neither below 0, and the sum of squares."""
        det = self.s1 * self.see - self.se**2
        floor = (self.sy * self.see - self.sey * self.se) / det
        height = (self.s1 * self.sey - self.se * self.sy) / det
        height = np.where(floor < 0, self.sey / self.see, height)
        floor = np.maximum(floor, 0)
        floor = np.where(height < 0, self.sy / self.s1, floor)
        height = np.maximum(height, 0)
        return floor, height, self._squares(floor, height)

    def _squares(self, floor: Floats, height: Floats) -> Floats:
        return np.asarray(
            self.syy
            - 2 * (floor * self.sy + height * self.sey)
            + floor**2 * self.s1
            + 2 * floor * height * self.se
            + height**2 * self.see
        )

    def _fitted(self) -> Floats:
        floor, height, squares = self._best()
        i = int(squares.argmin())
        return np.asarray(floor[i] + height[i] * np.exp(-self.rates[i] * self.x))

    def settle(self) -> None:
        """Weights and the levels they depend on, until they agree; the grid is drawn close meanwhile."""
        for round_ in range(12):
            fitted = self._fitted()
            before = self.weights
            self.weights = self._weigh(fitted)
            self._sum()
            if round_ == 3:
                self._close_in()
            if round_ > 3 and np.allclose(before, self.weights, rtol=1e-6):
                break

    def _close_in(self) -> None:
        squares = self._best()[2]
        near = np.flatnonzero(squares < squares.min() + 40 * self._more(int(squares.argmin())))
        low, high = max(near[0] - 1, 0), min(near[-1] + 1, len(self.rates) - 1)
        self.rates = np.geomspace(self.rates[low], self.rates[high], _GRID)
        self._sum()

    def _weigh(self, fitted: Floats) -> Floats:
        squares, freedom = (self.y - fitted) ** 2, len(self.y) - 3
        away = np.sqrt(squares * self.weights)
        reach = _HELD * MAD_TO_SD * max(float(np.median(away)), 1e-12)
        held = np.minimum(1.0, reach / np.maximum(away, 1e-300))
        squares, self.held = squares * held, held
        if self.volume is None:
            self.scatter = math.sqrt(max(float(squares.sum()) / freedom, 1e-24))
            return held * self.scatter**-2
        fitted = np.maximum(fitted, 1e-3 / self.volume)
        poisson = fitted / self.volume

        def excess(variance: float) -> float:
            return float((squares / (poisson + variance * fitted**2)).sum()) - freedom

        low, high = 0.0, 4.0
        if excess(low) > 0:
            for _ in range(50):
                middle = (low + high) / 2
                low, high = (middle, high) if excess(middle) > 0 else (low, middle)
        self.scatter = math.sqrt(low)
        return np.asarray(held / (poisson + low * fitted**2))

    def decay(self) -> Decay | NoFit:
        """What was found, or why nothing was."""
        floor, height, squares = self._best()
        i = int(squares.argmin())
        least, n = float(squares[i]), len(self.y)
        more = self._more(i)
        self.limit = least + student_quantile((1 + CONFIDENCE) / 2, n - 3) ** 2 * more
        still = self.syy - self.sy**2 / self.s1
        if still - least < _SEEN * more or height[i] <= 0:
            half = math.sqrt((self.limit - least) / self.s1)
            mean = self.sy / self.s1
            return NoFit(
                "it does not fall by more than it scatters", FitInterval(mean, mean - half, mean + half)
            )
        if self.volume is not None and self.scatter > _SCATTER_MOST:
            return NoFit(f"it scatters by {self.scatter:.0%} about any decay: something else goes on as well")
        inside = squares <= self.limit
        if inside[0]:
            return NoFit("it has fallen too little as yet to tell a curve from a straight line")
        if inside[-1]:
            return NoFit("it fell between two samples: sample more often to see it fall")
        a, b = np.flatnonzero(inside)[[0, -1]]
        found, lowest, top = self._refined(i)
        by_floor, by_top, by_rate = self._by_loading(found, lowest, top)
        self.loading = by_floor, by_top, by_rate
        rate = _around(
            found, self._cross(self.rates, squares, a - 1), self._cross(self.rates, squares, b), by_rate
        )
        if rate.low <= 0:
            return NoFit("it has fallen too little as yet to tell a curve from a straight line")
        lower, upper = self._floor_limits(lowest)
        heights = height[inside] + floor[inside]
        return Decay(
            n,
            _around(lowest + top, float(heights.min()), float(heights.max()), by_floor + by_top),
            _around(lowest, lower, upper, by_floor),
            rate,
            self.scatter,
            float(self.x[-1]),
            self,
        )

    def _tangents(self, rate: float, height: float) -> Floats:
        """How the level moves with floor, height and rate, (3, n)."""
        fall = np.exp(-rate * self.x)
        return np.stack([np.ones_like(fall), fall, -height * self.x * fall])

    def _more(self, i: int) -> float:
        """How much more the parameters vary because samples are alike, at place `i` of the grid."""
        floor, height, _ = self._best()
        root = np.sqrt(self.weights)
        rate, top = float(self.rates[i]), float(max(height[i], 1e-9))
        away = (self.y - floor[i] - height[i] * np.exp(-rate * self.x)) * root
        # a held sample's weight is its own times what it is held by, which counts once
        residuals = np.clip(away * np.sqrt(self.held), -_HELD, _HELD)
        tangents = self._tangents(rate, top) * root
        tangents /= np.sqrt((tangents**2).sum(axis=1, keepdims=True))
        if np.linalg.cond(tangents @ tangents.T) > 1e10:
            tangents = tangents[:1]
        gaps = np.diff(self.x)
        steps = np.clip(np.round(gaps / np.median(gaps)), 1, 50)
        return wider(residuals, tangents, steps, (1 - CONFIDENCE) / 2)

    def _by_loading(self, rate: float, floor: float, height: float) -> Floats:
        """By how much floor, height and rate move when the filter's rate falls by `LOADING` meanwhile.

        The deviation d of the level solves d' = -rate d + rate (x / span) level, all times `LOADING`.
        """
        moved = self._loaded(self.x, rate, floor, height)
        tangents = self._tangents(rate, height)
        normal = (tangents * self.weights) @ tangents.T
        scale = np.sqrt(np.diagonal(normal))
        return np.asarray(
            np.linalg.lstsq(
                normal / np.outer(scale, scale), tangents @ (self.weights * moved) / scale, 1e-10
            )[0]
            / scale
        )

    def _loaded(self, x: Floats, rate: float, floor: float, height: float) -> Floats:
        fall = np.exp(-rate * x)
        by_floor = floor * (x - (1 - fall) / rate)
        return np.asarray(LOADING / self.x[-1] * (by_floor + rate * height * x**2 / 2 * fall))

    def _refined(self, i: int) -> tuple[float, float, float]:
        """Rate, floor and height at the least sum of squares, between the neighbours of place `i`."""
        near = copy(self)
        near.rates = np.linspace(self.rates[i - 1], self.rates[i + 1], 101)
        near._sum()
        floor, height, squares = near._best()
        best = int(squares.argmin())
        return float(near.rates[best]), float(floor[best]), float(height[best])

    def _cross(self, at: Floats, squares: Floats, i: int) -> float:
        """Where the squares cross the limit between places `i` and `i` + 1."""
        s0, s1 = float(squares[i]), float(squares[i + 1])
        share = (self.limit - s0) / (s1 - s0) if s1 != s0 else 0.5
        return float(at[i] + (at[i + 1] - at[i]) * min(max(share, 0.0), 1.0))

    def floor_squares(self, floor: Floats) -> Floats:
        """The least sum of squares with each given floor, whatever rate and height."""
        f = np.asarray(floor, np.float64)[:, None]
        height = np.maximum((self.sey - f * self.se) / self.see, 0)
        return np.asarray(self._squares(f, height).min(axis=1))

    def _floor_limits(self, floor: float) -> tuple[float, float]:
        top = float(self.y.max())
        grid = np.unique(np.concatenate([np.linspace(0, top, 300), np.linspace(0, 3 * floor, 300)]))
        lower, upper = 0.0, math.inf
        for _ in range(2):  # a second time on a finer grid
            squares = self.floor_squares(grid)
            inside = np.flatnonzero(squares <= self.limit)
            if not len(inside):
                return floor, floor
            a, b = int(inside[0]), int(inside[-1])
            lower = self._cross(grid, squares, a - 1) if a else float(grid[0])
            upper = self._cross(grid, squares, b) if b + 1 < len(grid) else float(grid[-1])
            width = max(upper - lower, 1e-12 * top)
            grid = np.linspace(max(lower - 0.2 * width, 0), upper + 0.2 * width, 300)
        return lower, upper

    def time_to(self, limit: float, decay: Decay) -> FitInterval:
        """See `Decay.time_to`: the profile over the moment, rate and height being free."""
        rate, floor, start = decay.rate_per_s.value, decay.floor.value, decay.start.value
        value = math.inf
        if start <= limit:
            value = 0.0
        elif limit > floor:
            value = math.log((start - floor) / (limit - floor)) / rate
        span = float(self.x[-1])
        moments = span * np.concatenate([np.linspace(0, 3, 301), np.geomspace(3.02, _FURTHEST, 200)])
        squares = self._moment_squares(moments, limit)
        inside = np.flatnonzero(squares <= self.limit)
        if not len(inside):
            never = float(self.floor_squares(np.array([limit]))[0]) <= self.limit or value == math.inf
            return FitInterval(value, math.inf if never else value, math.inf if never else value)
        a, b = int(inside[0]), int(inside[-1])
        low = self._cross(moments, squares, a - 1) if a else 0.0
        high = math.inf if b + 1 == len(moments) else self._cross(moments, squares, b)
        if 0 < value < math.inf:
            # what was fitted to a filter that loads, and what it comes to then
            height = start - floor
            fall = math.exp(-rate * value)
            by_floor, by_top, by_rate = self.loading
            fitted = by_floor + by_top * fall - by_rate * height * value * fall
            true = float(self._loaded(np.array([value]), rate, floor, height)[0])
            late = abs(true - fitted) / (rate * height * fall)
            low, high = max(low - late, 0.0), high + late
            if decay.floor.high >= limit:
                high = math.inf
        return FitInterval(value, min(low, value), max(high, value))

    def _moment_squares(self, moments: Floats, limit: float) -> Floats:
        """The least sum of squares when the level is `limit` at each moment: y = limit + height (e - q)."""
        q = np.exp(-np.outer(moments, self.rates))
        hh = self.see - 2 * q * self.se + q * q * self.s1
        yh = (self.sey - limit * self.se) - q * (self.sy - limit * self.s1)
        with np.errstate(divide="ignore", over="ignore"):
            height = np.clip(yh / np.maximum(hh, 1e-300), 0, limit / q)
        yy = self.syy - 2 * limit * self.sy + limit**2 * self.s1
        return np.asarray((yy - 2 * height * yh + height**2 * hh).min(axis=1))
