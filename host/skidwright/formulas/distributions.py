"""The gamma, normal, Student and binomial distributions that counting statistics need, in plain NumPy.

SciPy has them all; it is used to test these (tests/references) and kept out
of what a user must install. Sources: M. Abramowitz and I. A. Stegun,
"Handbook of Mathematical Functions", 6.1.40 (log gamma), 6.5.29 (series) and
6.5.31 (continued fraction) for the incomplete gamma function; H. Goldberg and
H. Levine, Annals of Mathematical Statistics 17, 1946, for the Cornish-Fisher
expansion of the chi-square quantile, here as the gamma quantile.
"""

import math
from statistics import NormalDist

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats

# From this shape on the expansion is good to better than 1e-10 for quantiles within 5 standard deviations.
_EXPANSION_FROM = 400.0
_SMALLEST_SHAPE = 1e-3
_STEPS = 1000
_erfc = np.frompyfunc(math.erfc, 1, 1)


def normal_quantile(p: float) -> float:
    """The standard normal quantile; ValueError outside 0 < p < 1."""
    if not 0 < p < 1:
        raise ValueError(f"a probability between 0 and 1 is needed, not {p}")
    return NormalDist().inv_cdf(p)


def student_quantile(p: float, freedom: float) -> float:
    """Quantile of Student's t by Cornish and Fisher's expansion (Abramowitz and Stegun 26.7.5)."""
    z = normal_quantile(p)
    z2 = z * z
    return z * (
        1
        + (z2 + 1) / (4 * freedom)
        + ((5 * z2 + 16) * z2 + 3) / (96 * freedom**2)
        + (((3 * z2 + 19) * z2 + 17) * z2 - 15) / (384 * freedom**3)
        + ((((79 * z2 + 776) * z2 + 1482) * z2 - 1920) * z2 - 945) / (92160 * freedom**4)
    )


def normal_cdf(z: ArrayLike) -> Floats:
    """The standard normal distribution function."""
    return 0.5 * np.asarray(_erfc(-np.asarray(z, dtype=np.float64) / math.sqrt(2)), dtype=np.float64)


def log_gamma(a: ArrayLike) -> Floats:
    """Natural logarithm of the gamma function for a > 0, by Stirling's series after shifting a above 10."""
    x = np.asarray(a, dtype=np.float64)
    shift = np.where(x < 10, x, 1.0)
    for k in range(1, 10):
        shift = np.where(x < 10, shift * (x + k), shift)
    y = np.where(x < 10, x + 10, x)
    r = 1 / (y * y)
    series = (
        1 / 12 - r * (1 / 360 - r * (1 / 1260 - r * (1 / 1680 - r * (1 / 1188 - r * 691 / 360360))))
    ) / y
    return (y - 0.5) * np.log(y) - y + 0.5 * math.log(2 * math.pi) + series - np.log(shift)


def gamma_cdf(a: ArrayLike, x: ArrayLike) -> Floats:
    """P(a, x), the distribution function of a gamma variable of shape a > 0 and scale 1; broadcasts.

    For whole a it is the probability that a Poisson variable of mean x is a or more.
    """
    shape, value = np.broadcast_arrays(np.asarray(a, dtype=np.float64), np.asarray(x, dtype=np.float64))
    result = np.full(shape.shape, np.nan)
    large = shape >= _EXPANSION_FROM
    result[large] = normal_cdf(_expanded_z(shape[large], value[large]))
    # further than this from the middle nothing is left that a float could show
    reach = 9 * np.sqrt(np.maximum(shape, 0)) + 45
    result[(shape > 0) & (value > shape + reach)] = 1.0
    result[(shape > 0) & (value < shape - reach)] = 0.0
    small = (shape > 0) & ~large & (np.abs(value - shape) <= reach)
    result[small] = _small_cdf(shape[small], value[small])
    return result


def gamma_quantile(a: ArrayLike, p: float) -> Floats:
    """The value below which a gamma variable of shape a and scale 1 lies with probability p.

    Shapes below 0.001 count as 0, for which it is 0. ValueError outside 0 < p < 1 or for a negative shape.
    """
    z = normal_quantile(p)
    shape = np.asarray(a, dtype=np.float64)
    if np.any(shape < 0):
        raise ValueError("a gamma distribution's shape cannot be negative")
    result = _expanded(np.maximum(shape, 1.0), z)
    small = (shape >= _SMALLEST_SHAPE) & (shape < _EXPANSION_FROM)
    # whole counts repeat: each shape is solved for once
    distinct, places = np.unique(shape[small], return_inverse=True)
    solved = np.zeros(distinct.shape)
    # below this exponent the quantile is smaller than any float
    seen = (math.log(p) + log_gamma(distinct + 1)) / distinct > -600
    solved[seen] = _small_quantile(distinct[seen], p, z)
    result[small] = solved[places]
    return np.where(shape < _SMALLEST_SHAPE, 0.0, np.where(np.isnan(shape), np.nan, result))


def _expanded(a: Floats, z: ArrayLike) -> Floats:
    """Cornish-Fisher expansion of the gamma quantile in powers of 1/sqrt(a), by the normal quantile z."""
    zz = np.asarray(z, dtype=np.float64)
    z2 = zz * zz
    s = 1 / np.sqrt(a)
    t3 = zz * (z2 - 7) / 36
    t4 = (16 - z2 * (7 + 3 * z2)) / 810
    t5 = zz * (z2 * (256 + 9 * z2) - 433) / 38880
    t6 = (1472 - z2 * (923 + z2 * (243 - 12 * z2))) / 204120
    t7 = -zz * (z2 * (z2 * (3753 * z2 + 4353) - 289517) - 289717) / 146966400
    tail = s * (t3 + s * (t4 + s * (t5 + s * (t6 + s * t7))))
    return np.asarray(a + zz / s + (z2 - 1) / 3 + tail)


def _expanded_z(a: Floats, x: Floats) -> Floats:
    """The z at which `_expanded` gives x, by Newton's method from Wilson and Hilferty's cube root."""
    ninth = 1 / (9 * a)
    z = np.clip((np.cbrt(np.maximum(x, 0) / a) - 1 + ninth) / np.sqrt(ninth), -9.0, 9.0)
    for _ in range(4):
        # slope to leading orders is enough: the error falls by a factor sqrt(a) a step
        slope = np.sqrt(a) + 2 * z / 3
        z = np.clip(z - (_expanded(a, z) - x) / slope, -9.0, 9.0)
    return z


def _small_cdf(a: Floats, x: Floats) -> Floats:
    positive = np.maximum(x, 1e-300)
    front = np.exp(a * np.log(positive) - positive - log_gamma(a))
    below = positive < a + 1
    # P by its series: all terms positive
    term = np.where(below, 1 / a, 0.0)
    total = term.copy()
    k = a.copy()
    for _ in range(_STEPS):
        k += 1
        term = term * positive / k
        total += term
        if not np.any(term > total * 1e-17):
            break
    # Q = 1 - P by the continued fraction, Lentz's method
    y = np.where(below, a + 1, positive)
    b = y + 1 - a
    c = np.full(a.shape, 1e300)
    d = 1 / b
    fraction = d.copy()
    for i in range(1, _STEPS):
        factor = -i * (i - a)
        b = b + 2
        d = 1 / (factor * d + b)
        c = b + factor / c
        change = c * d
        fraction = fraction * change
        if not np.any(np.abs(change - 1) > 1e-16):
            break
    result = np.where(below, front * total, 1 - front * fraction)
    return np.where(x <= 0, 0.0, np.clip(result, 0.0, 1.0))


def _small_quantile(a: Floats, p: float, z: float) -> Floats:
    ninth = 1 / (9 * a)
    start = a * np.maximum(1 - ninth + z * np.sqrt(ninth), 0.0) ** 3
    # leading term of the distribution function near 0, where Wilson and Hilferty's start fails
    tiny = np.exp((math.log(p) + log_gamma(a + 1)) / a)
    x = np.where((start > 0.2 * a) & (a > 0.5), start, tiny)
    for _ in range(60):
        # Newton's method on log P(a, e^t): log P is concave in log x, so it cannot overshoot to the left
        cdf = np.maximum(_small_cdf(a, x), 1e-300)
        density = np.exp(a * np.log(x) - x - log_gamma(a))
        if p < 0.5:
            step = (np.log(cdf) - math.log(p)) * cdf / np.maximum(density, 1e-300)
        else:
            step = (cdf - p) / np.maximum(density, 1e-300)
        step = np.clip(step, -1.0, 1.0)
        x = x * np.exp(-step)
        if not np.any(np.abs(step) > 1e-11):
            break
    return x


def binomial_tail(successes: int, trials: int, p: ArrayLike, upper: bool = False) -> Floats:
    """P(X <= successes), or with `upper` P(X >= successes), of a binomial variable, for p within 0 to 1.

    The probabilities are summed outward from `successes`, away from the mean, until what is left does not
    count; where that side holds more than half, it is 1 less the other side.
    """
    chance = np.atleast_1d(np.asarray(p, dtype=np.float64))
    return np.array([_tail(successes, trials, float(one), upper) for one in chance])


def _tail(successes: int, trials: int, p: float, upper: bool) -> float:
    if upper:
        return _tail(trials - successes, trials, 1 - p, upper=False)
    if successes >= trials:
        return 1.0
    if successes > trials * p:
        return 1.0 - _tail(trials - successes - 1, trials, 1 - p, upper=False)
    k, q = successes, 1 - p
    log_ways = float(log_gamma(trials + 1.0) - log_gamma(k + 1.0) - log_gamma(trials - k + 1.0))
    log_first = log_ways + k * math.log(p) + (trials - k) * math.log(q)
    # down to where nothing is left: 12 standard deviations of the distribution
    reach = min(k, int(12 * math.sqrt(trials * p * q)) + 50)
    j = np.arange(k, k - reach, -1, dtype=np.float64)
    ratio = np.concatenate([[0.0], np.cumsum(np.log(j * q / ((trials - j + 1) * p)))])
    return min(float(np.exp(log_first + ratio).sum()), 1.0)
