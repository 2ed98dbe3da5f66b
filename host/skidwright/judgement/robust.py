"""Robust measures of scale and of how alike neighbouring points are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Median absolute deviation of a normal distribution is its standard deviation over this.
MAD_TO_SD = 1.4826
# Beyond so many standard deviations a value counts as lying there.
_HELD_AT = 3.0
# Variance of a standard normal value held at 3: 1 - what the tails lose; computed, see tests/judgement.
_HELD_VARIANCE = 0.99501
MOST_ALIKE = 0.9
# Fewer points do not tell apart what is alike from what drifts.
LEAST_FOR_ALIKE = 20
_LAGS = (1, 2, 3, 5, 8)
_GRID = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.85, MOST_ALIKE)


def mad_sd(values: Floats, axis: int = -1) -> Floats:
    """Standard deviation estimated by the median absolute deviation from the median, along `axis`."""
    middle = np.median(values, axis=axis, keepdims=True)
    return np.asarray(MAD_TO_SD * np.median(np.abs(values - middle), axis=axis))


def held_sd(values: Floats) -> Floats:
    """Standard deviation along the last axis with values held within 3 of it: nearly as sharp as the usual
    one.

    Whole steps and strays in a few of many values move it little.
    """
    middle = np.median(values, axis=-1, keepdims=True)
    rough = mad_sd(values)[..., None]
    # where more than half of all values are equal the median deviation says nothing
    rough = np.where(rough > 0, rough, values.std(axis=-1, keepdims=True))
    held = np.clip(values - middle, -_HELD_AT * rough, _HELD_AT * rough)
    return np.asarray(np.sqrt((held**2).mean(axis=-1) / _HELD_VARIANCE))


@dataclass(frozen=True)
class Noise:
    """What moves from point to point, for each of k series: independent noise plus noise that is alike.

    `white` and `alike_part` are variances, `alike` the correlation of the latter from one point to the next.
    """

    white: Floats
    alike_part: Floats
    alike: Floats

    @property
    def sd(self) -> Floats:
        """Standard deviation of a point."""
        return np.sqrt(self.white + self.alike_part)

    @property
    def long_run(self) -> Floats:
        """Variance of the mean of many points, times their number."""
        return self.white + self.alike_part * (1 + self.alike) / (1 - self.alike)

    @property
    def more(self) -> Floats:
        """By how much the mean of many points varies more than that of independent ones."""
        return np.asarray(self.long_run / np.maximum(self.white + self.alike_part, 1e-300))


def noise(values: Floats, floor: Floats) -> Noise:
    """The noise in each row of (k, n), seen through steps and slow drifts; `floor` (k,) is its least
    deviation.

    Half the variance of differences over 1 to 8 points is w + s (1 - r^lag) for independent noise of
    variance w and first-order noise of variance s and correlation r: fitted by least squares over a grid of
    r. Differences leave steps and drifts out (S. Chakar, E. Lebarbier, C. Levy-Leduc and S. Robin, "A
    robust approach for estimating change-points in the mean of an AR(1) process", Bernoulli 23, 2017, do so
    with two lags; from memory). Points count as alike only where that fits better than chance lets it.
    """
    series, n = values.shape
    none = np.zeros(series)
    if n < LEAST_FOR_ALIKE:
        spread = held_sd(np.diff(values, axis=-1)) ** 2 / 2 if n > 2 else none
        return Noise(np.maximum(spread, floor**2), none, none)
    lags = np.array([lag for lag in _LAGS if lag <= n // 5])
    half = np.stack([held_sd(values[:, lag:] - values[:, :-lag]) ** 2 / 2 for lag in lags], axis=1)
    unit = np.maximum(half.mean(axis=1), 1e-300)
    y = half / unit[:, None]
    centred = y - y.mean(axis=1, keepdims=True)
    # variances of differences are known to about three over the number of points, relatively
    least = (centred**2).sum(axis=1) - 3 / n
    white, alike_part, alike = y.mean(axis=1), none.copy(), none.copy()
    for r in _GRID:
        x = 1 - r**lags
        off = x - x.mean()
        part = (centred @ off) / (off @ off)
        rest = y.mean(axis=1) - part * x.mean()
        part = np.where(rest < 0, (y @ x) / (x @ x), part)
        rest = np.maximum(rest, 0.0)
        error = ((y - rest[:, None] - part[:, None] * x) ** 2).sum(axis=1)
        better = (part > 0) & (error < least)
        least = np.where(better, error, least)
        white, alike_part = np.where(better, rest, white), np.where(better, part, alike_part)
        alike = np.where(better, r, alike)
    scale = np.maximum(unit, floor**2 / np.maximum(white + alike_part, 1e-300))
    return Noise(white * scale, alike_part * scale, alike)
