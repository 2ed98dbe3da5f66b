"""Robust measures of scale and of how alike neighbouring points are."""

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


def noise(values: Floats, floor: Floats) -> tuple[Floats, Floats]:
    """Standard deviation and lag-one correlation of what moves from point to point, for each row of (k, n).

    By differences over one and two points, so that steps and slow drifts do not count: for noise of first
    order the variances of the two are 2 s^2 (1 - r) and 2 s^2 (1 - r^2) (S. Chakar, E. Lebarbier, C.
    Levy-Leduc and S. Robin, "A robust approach for estimating change-points in the mean of an AR(1)
    process", Bernoulli 23, 2017; from memory). Correlations below 0 count as 0, above 0.9 as 0.9. `floor`
    (k,) is the least deviation.
    """
    if values.shape[-1] < 5:
        return np.maximum(floor, 0.0), np.zeros(len(values))
    one = held_sd(np.diff(values, axis=-1))
    two = held_sd(values[:, 2:] - values[:, :-2])
    alike = np.divide(two**2, one**2, out=np.ones_like(one), where=one > 0) - 1
    alike = np.clip(alike, 0.0, MOST_ALIKE)
    sd = one / np.sqrt(2 * (1 - alike))
    return np.maximum(sd, floor), alike


def lag_one(residuals: Floats) -> float:
    """Lag-one correlation of residuals in order, strays held at 3 standard deviations; from 0 to 0.9.

    Corrected for its bias in short series, (n r + 1) / (n - 4): M. G. Kendall, Biometrika 41, 1954 (from
    memory).
    """
    n = len(residuals)
    if n < 10:
        return 0.0
    sd = float(mad_sd(residuals))
    held = np.clip(residuals, -_HELD_AT * sd, _HELD_AT * sd) if sd > 0 else residuals
    total = float((held**2).sum())
    if total == 0:
        return 0.0
    plain = float((held[1:] * held[:-1]).sum()) / total
    return float(np.clip((n * plain + 1) / (n - 4), 0.0, MOST_ALIKE))


def inflation(alike: Floats | float) -> Floats:
    """By how much more the mean of many points varies when neighbours are alike: (1 + r) / (1 - r)."""
    return np.asarray((1 + np.asarray(alike)) / (1 - np.asarray(alike)))
