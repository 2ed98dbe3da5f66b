"""A line, or a level, through points whose noise is only partly known: all noise that may be, weighed.

Noise is that of `noise`: a share of a point's variance is alike from one point to the next (over a gap by a
power of how alike). Neither share nor likeness is known, least of all from few points. So each pair of a grid
is tried, its line and its likelihood are worked out exactly, and what is said is what all of them say
together, weighed by how well each fits (A. Zellner, An Introduction to Bayesian Inference in Econometrics,
1971, ch. 4: flat in line and logarithm of the noise; from memory). Few points leave all of them standing, and
the interval is then as wide as the slowest of them makes it.

Likelihoods come from Kalman's filter, which whitens points and regressors alike (R. E. Kalman, 1960).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats
from skidwright.judgement.noise import Noise, strays_held

# (alike, share, how likely before any point is seen): the last is this project's judgement, so that intervals
# hold for points alike by anything from 0 to 0.9, and are no wider than they must be for independent ones
# (measured by `make trends`).
_MAY_BE = np.array(
    [
        (0.0, 0.0, 6.0),
        *((r, s, 1.0) for r in (0.3, 0.5, 0.7, 0.8, 0.88) for s in (1.0, 0.7, 0.4)),
        *((0.94, 1.0, 7.0), (0.94, 0.7, 2.0), (0.94, 0.4, 3.0), (0.98, 1.0, 14.0), (0.98, 0.7, 1.0)),
    ]
)
ALIKE, SHARE, BEFORE = _MAY_BE.T.copy()
MAY_BE = Noise(np.ones(len(ALIKE)), SHARE, ALIKE)
# A grid is coarse, and points alike by more than it knows of are there too: standard errors are widened by
# this over the number of points (measured likewise).
_WIDER = 3.0
_AT_ONCE = 24


@dataclass(frozen=True)
class TrendLine:
    """A line by each noise of the grid (g,): `level` at `centre`, `slope`, their standard errors and
    covariance, with `freedom` degrees of freedom and the `weight` of each."""

    centre: float
    level: Floats
    slope: Floats
    level_error: Floats
    slope_error: Floats
    both: Floats
    weight: Floats
    freedom: float

    def chance_below(self, value: float, at: ArrayLike) -> Floats:
        """How likely the line is below `value` at each of some times."""
        ahead = np.asarray(at, np.float64)[..., None] - self.centre
        variance = self.level_error**2 + 2 * ahead * self.both + (ahead * self.slope_error) ** 2
        error = np.sqrt(np.maximum(variance, 1e-300))
        return self._mixed((value - self.level - ahead * self.slope) / error)

    def slope_below(self, value: ArrayLike) -> Floats:
        """How likely the slope is below each of some values."""
        away = np.asarray(value, np.float64)[..., None] - self.slope
        return self._mixed(away / np.maximum(self.slope_error, 1e-300))

    def slope_limits(self, confidence: float) -> tuple[float, float, float]:
        """The slope with its interval: the middle of what may be, and what is left out on either side."""
        tail = (1 - confidence) / 2
        reach = float((np.abs(self.slope) + 30 * self.slope_error).max())
        low, middle, high = (solved(self.slope_below, -reach, reach, p) for p in (tail, 0.5, 1 - tail))
        return middle, low, high

    @property
    def likely_level(self) -> tuple[float, float]:
        """The weighed mean of the levels and its standard deviation over all that may be."""
        mean = float(self.weight @ self.level)
        return mean, float(np.sqrt(self.weight @ (self.level_error**2 + (self.level - mean) ** 2)))

    @property
    def more(self) -> float:
        """By how much the mean of many points varies more than that of independent ones, as weighed."""
        return float(self.weight @ MAY_BE.more)

    def _mixed(self, t: Floats) -> Floats:
        return np.asarray(student_cdf(t, self.freedom) @ self.weight)


def line(days: Floats, values: Floats) -> TrendLine:
    """The line through points (n,) at rising times. ValueError for fewer than 4."""
    n = len(days)
    if n < 4:
        raise ValueError("four points are needed")
    step = float(np.median(np.diff(days)))
    centre = float(days.mean())
    span = max(float(days[-1] - days[0]), 1e-9)
    x = (days - centre) / span
    y = strays_held(values)
    size = max(float(y.std()), 1e-9)
    middle = float(np.median(y))
    gaps = np.maximum(np.round(np.diff(days) / max(step, 1e-9)), 1.0)
    white, spread = whitened(np.stack([(y - middle) / size, np.ones(n), x]), gaps)
    # (g, 2, 2) and (g, 2): normal equations of each noise
    regressors, target = white[:, 1:], white[:, 0]
    normal = regressors @ regressors.transpose(0, 2, 1)
    right = (regressors @ target[:, :, None])[:, :, 0]
    inverse = np.linalg.inv(normal)
    found = (inverse @ right[:, :, None])[:, :, 0]
    squares = np.maximum((target**2).sum(axis=1) - (found * right).sum(axis=1), 1e-12)
    freedom = n - 2
    fits = np.log(BEFORE) - spread / 2 - np.log(np.linalg.det(normal)) / 2 - freedom / 2 * np.log(squares)
    weight = np.exp(fits - fits.max())
    scale = squares / freedom * (1 + _WIDER / n) ** 2
    return TrendLine(
        centre=centre,
        level=middle + size * found[:, 0],
        slope=size / span * found[:, 1],
        level_error=size * np.sqrt(scale * inverse[:, 0, 0]),
        slope_error=size / span * np.sqrt(scale * inverse[:, 1, 1]),
        both=size**2 / span * scale * inverse[:, 0, 1],
        weight=weight / weight.sum(),
        freedom=float(freedom),
    )


def whitened(rows: Floats, gaps: Floats) -> tuple[Floats, Floats]:
    """Rows (c, n) made independent with variance 1 by each noise, (g, c, n), and the logarithm of its
    determinant, (g,). `gaps` (n - 1,): steps from point to point."""
    whitener, spread = _whitener(tuple(gaps.tolist()))
    return (whitener @ rows.T).transpose(0, 2, 1), spread


@lru_cache(maxsize=8)
def _whitener(gaps: tuple[float, ...]) -> tuple[Floats, Floats]:
    """What makes n points independent, (g, n, n), and the logarithm of the determinant, (g,)."""
    gains, spreads, kept = _filter(gaps)
    n = len(spreads)
    ahead = np.zeros((len(ALIKE), n))
    out = np.zeros((len(ALIKE), n, n))
    for i in range(n):
        if i:
            ahead *= kept[i - 1][:, None]
        away = -ahead
        away[:, i] += 1
        out[:, i] = away / np.sqrt(spreads[i])[:, None]
        ahead += gains[i][:, None] * away
    return out, np.log(spreads).sum(axis=0)


def _filter(gaps: tuple[float, ...]) -> tuple[Floats, Floats, Floats]:
    """Gains (n, g), variances of what is new (n, g) and what is kept over each gap (n - 1, g)."""
    kept = ALIKE[None, :] ** np.array(gaps)[:, None]
    n = len(gaps) + 1
    gains, spreads = np.empty((n, len(ALIKE))), np.empty((n, len(ALIKE)))
    variance, own = SHARE.copy(), 1 - SHARE
    for i in range(n):
        if i:
            variance = SHARE + kept[i - 1] ** 2 * (variance - SHARE)
        spreads[i] = np.maximum(variance + own, 1e-9)
        gains[i] = variance / spreads[i]
        variance = variance * (1 - gains[i])
    return gains, spreads, kept


def wider(residuals: Floats, regressors: Floats, gaps: Floats, tail: float) -> float:
    """By how much more the parameters of a least-squares fit vary than if its residuals were independent.

    `residuals` (n,) in standard deviations, `regressors` (p, n) of the fit, both weighed as the fit was;
    `gaps` as in `whitened`. Each noise has its likelihood, its size and, for each parameter, its variance
    (X'X)^-1 X'RX (X'X)^-1; the factor is that by which the variance of one must be multiplied so that
    Student's interval leaves out no more than `tail` of all that may be on either side.
    """
    many, n = regressors.shape
    freedom = n - many
    gains, spreads, kept = _filter(tuple(gaps.tolist()))
    rows = np.concatenate([residuals[None], regressors])
    ahead = np.zeros((len(ALIKE), many + 1))
    white = np.empty((n, len(ALIKE), many + 1))
    before = np.zeros((len(ALIKE), many))
    after = before.copy()
    alike = np.empty((n, len(ALIKE), many))
    for i in range(n):
        if i:
            ahead *= kept[i - 1][:, None]
            before = kept[i - 1][:, None] * (before + regressors[:, i - 1])
        white[i] = (rows[:, i] - ahead) / np.sqrt(spreads[i])[:, None]
        ahead += (gains[i] * np.sqrt(spreads[i]))[:, None] * white[i]
        alike[i] = regressors[:, i] + SHARE[:, None] * before
    for i in range(n - 2, -1, -1):
        after = kept[i][:, None] * (after + regressors[:, i + 1])
        alike[i] += SHARE[:, None] * after
    x, y = white[:, :, 1:].transpose(1, 2, 0), white[:, :, 0].T
    normal, right = x @ x.transpose(0, 2, 1), (x @ y[:, :, None])[:, :, 0]
    found = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    squares = np.maximum((y**2).sum(axis=1) - (found * right).sum(axis=1), 1e-12)
    determinant = np.linalg.slogdet(normal)[1]
    fits = np.log(BEFORE) - np.log(spreads).sum(axis=0) / 2 - determinant / 2 - freedom / 2 * np.log(squares)
    weight = np.exp(fits - fits.max())
    weight /= weight.sum()
    inverse = np.linalg.inv(regressors @ regressors.T)
    middle = regressors @ alike.transpose(1, 0, 2)
    variance = np.diagonal(inverse @ middle @ inverse, axis1=1, axis2=2) / np.diagonal(inverse)
    each = squares / freedom * (1 + _WIDER / n) ** 2 * variance.max(axis=1)
    usual = solved(lambda t: student_cdf(t, freedom), 0.0, 60.0, 1 - tail)

    def inside(factor: Floats) -> Floats:
        return np.asarray(student_cdf(usual * np.sqrt(factor[:, None] / each), freedom) @ weight)

    return max(solved(inside, 1.0, max(50 * float(each.max()), 2.0), 1 - tail), 1.0)


def student_cdf(t: ArrayLike, freedom: float) -> Floats:
    """Student's distribution function, to 0.002 from 3 degrees of freedom on.

    D. L. Wallace, "Bounds on normal approximations to Student's and the chi-square distributions", Annals
    of Mathematical Statistics 30, 1959 (from memory; held against SciPy in the tests).
    """
    at, v = np.asarray(t, np.float64), freedom
    z = (8 * v + 1) / (8 * v + 3) * np.sqrt(v * np.log1p(at**2 / v))
    # the normal one by Abramowitz and Stegun 26.2.17, to 1e-7: many at a time, and quick
    k = 1 / (1 + 0.2316419 * z)
    series = k * (0.319381530 + k * (-0.356563782 + k * (1.781477937 + k * (-1.821255978 + k * 1.330274429))))
    beyond = np.exp(-z * z / 2) / np.sqrt(2 * np.pi) * series
    return np.asarray(np.where(at > 0, 1 - beyond, beyond))


def solved(chance: Callable[[Floats], Floats], low: float, high: float, wanted: float) -> float:
    """Where a rising function passes `wanted`, to a hundred thousandth of the range or better."""
    for _ in range(4):
        at = np.linspace(low, high, _AT_ONCE)
        reached = chance(at)
        i = min(max(int(np.searchsorted(reached, wanted)), 1), _AT_ONCE - 1)
        low, high = float(at[i - 1]), float(at[i])
    below, above = float(reached[i - 1]), float(reached[i])
    share = (wanted - below) / (above - below) if above > below else 0.5
    return low + (high - low) * min(max(share, 0.0), 1.0)
