"""What a count of particles allows to be said: intervals, chances of scale numbers, volumes.

Counts of particles that arrive one by one are Poisson distributed, so what is
known of a concentration depends on the raw count, not on the concentration.

Interval: F. Garwood, "Fiducial limits for the Poisson distribution",
Biometrika 28, 1936: exact, never narrower than stated. Volume uncertainty
(relative, one standard deviation) is joined to it by giving the gamma
distribution behind Garwood's limits the relative variance 1/n + u^2: the
variances add, the skewness stays that of a count. Coincidence is taken out of
the limits by `coincidence.correct`, which keeps their order.

Probability of a scale number: the mid-P distribution, half way between the
two gamma distributions of Garwood's limits (H. O. Lancaster, "Significance
tests in discrete distributions", JASA 56, 1961). A convention: no prior belief
about the fluid goes into it.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats
from skidwright.formulas import coincidence
from skidwright.formulas.distributions import gamma_cdf, gamma_quantile
from skidwright.formulas.iso4406 import FEW_PARTICLES, HIGHEST, UPPER_PER_ML, number_text, scale_numbers


class Interval(NamedTuple):
    """Lower and upper limit of the true concentration, particles per mL."""

    low_per_ml: Floats
    high_per_ml: Floats


def expected_counts(
    counts: ArrayLike, confidence: float = 0.95, volume_uncertainty: ArrayLike = 0.0
) -> tuple[Floats, Floats]:
    """Garwood's limits of the expected count, widened by the relative standard uncertainty of the volume.

    `counts` and `volume_uncertainty` broadcast. ValueError when a count is negative, the
    uncertainty outside 0 to 0.5, or the confidence not between 0 and 1.
    """
    count, spread = np.broadcast_arrays(_checked_counts(counts), checked_uncertainty(volume_uncertainty))
    tail = tail_of(confidence)
    widen_low, widen_high = 1 + count * spread**2, 1 + (count + 1) * spread**2
    low = gamma_quantile(count / widen_low, tail) * widen_low
    high = gamma_quantile((count + 1) / widen_high, 1 - tail) * widen_high
    return low, high


def interval(
    counts: ArrayLike,
    volume_ml: ArrayLike,
    confidence: float = 0.95,
    volume_uncertainty: ArrayLike = 0.0,
    sensing_volume_ml: ArrayLike = 0.0,
    dilution: ArrayLike = 1.0,
) -> Interval:
    """Limits of the true concentration per mL from raw counts in a volume; all arguments broadcast.

    NaN where the count itself is beyond what coincidence lets the counter show; an infinite upper
    limit where only the limit is. Errors as in `expected_counts`, and ValueError when a
    volume is not above 0 or a dilution below 1.
    """
    volume, times = checked_volume(volume_ml), _checked_dilution(dilution)
    low, high = expected_counts(counts, confidence, volume_uncertainty)
    sensing = np.asarray(sensing_volume_ml, dtype=np.float64)
    middle = coincidence.correct(np.asarray(counts, dtype=np.float64) / volume, sensing).true_per_ml
    bottom = coincidence.correct(low / volume, sensing).true_per_ml * times
    top = coincidence.correct(high / volume, sensing).true_per_ml * times
    refused = np.isnan(middle)
    return Interval(
        np.where(refused, np.nan, bottom), np.where(refused, np.nan, np.where(np.isnan(top), np.inf, top))
    )


def confidence_at_most(
    counts: ArrayLike,
    volume_ml: ArrayLike,
    limit_per_ml: ArrayLike,
    volume_uncertainty: ArrayLike = 0.0,
    sensing_volume_ml: ArrayLike = 0.0,
) -> Floats:
    """The one-sided confidence with which the true concentration is at or below `limit_per_ml`.

    The highest for which the upper limit of `interval` (two-sided, 2 c - 1) is not above the limit; all
    arguments broadcast. 0 where the count itself is beyond what coincidence lets the counter show. Errors as
    in `interval`.
    """
    count, volume, limit, spread, sensing = np.broadcast_arrays(
        _checked_counts(counts),
        checked_volume(volume_ml),
        np.asarray(limit_per_ml, dtype=np.float64),
        checked_uncertainty(volume_uncertainty),
        np.asarray(sensing_volume_ml, dtype=np.float64),
    )
    with np.errstate(divide="ignore"):
        shown = coincidence.observed(np.minimum(limit, 1 / sensing), sensing) * volume
    widen = 1 + (count + 1) * spread**2
    refused = np.isnan(coincidence.correct(count / volume, sensing).true_per_ml)
    return np.where(refused, 0.0, gamma_cdf((count + 1) / widen, shown / widen))


def scale_probabilities(
    counts: ArrayLike,
    volume_ml: ArrayLike,
    volume_uncertainty: ArrayLike = 0.0,
    sensing_volume_ml: ArrayLike = 0.0,
    dilution: ArrayLike = 1.0,
) -> Floats:
    """Probability of each scale number 0 to 28 and of "above 28", along a new last axis of 30.

    What lies beyond the concentration at which the counter shows most is added to the scale number
    that holds that concentration. NaN and errors as in `interval`.
    """
    count, volume, spread, sensing, times = np.broadcast_arrays(
        _checked_counts(counts),
        checked_volume(volume_ml),
        checked_uncertainty(volume_uncertainty),
        np.asarray(sensing_volume_ml, dtype=np.float64),
        _checked_dilution(dilution),
    )
    refused = np.isnan(coincidence.correct(count / volume, sensing).true_per_ml)
    limits = UPPER_PER_ML / times[..., None]
    seen = coincidence.observed(limits, sensing[..., None]) * volume[..., None]
    low_shape = count / (1 + count * spread**2)
    high_shape = (count + 1) / (1 + (count + 1) * spread**2)
    low_scale = np.divide(low_shape, count, out=np.ones_like(low_shape), where=count > 0)[..., None]
    high_scale = (high_shape / (count + 1))[..., None]
    from_low = gamma_cdf(np.where(count > 0, low_shape, 1.0)[..., None], seen * low_scale)
    from_low = np.where(count[..., None] > 0, from_low, 1.0)
    below = (from_low + gamma_cdf(high_shape[..., None], seen * high_scale)) / 2
    below = np.where(limits * sensing[..., None] >= 1, 1.0, below)
    edges = np.concatenate([np.zeros((*count.shape, 1)), below, np.ones((*count.shape, 1))], axis=-1)
    return np.where(refused[..., None], np.nan, np.maximum(np.diff(edges, axis=-1), 0.0))


def probability_text(probabilities: ArrayLike, least: float = 0.01) -> str:
    """One row of `scale_probabilities` in words, likeliest first: `17 (83 %), 18 (17 %)`.

    Numbers less likely than `least` are left out; an unusable row gives an empty text. Nothing that is
    counted is certain, so the highest chance is `over 99 %`.
    """
    row = np.asarray(probabilities, dtype=np.float64)
    if np.isnan(row).any():
        return ""
    order = [int(n) for n in np.argsort(-row, kind="stable") if row[n] >= least]
    chances = ("over 99 %" if row[n] > 0.99 else f"{round(100 * row[n])} %" for n in order)
    return ", ".join(f"{number_text(n)} ({chance})" for n, chance in zip(order, chances, strict=True))


def volume_for_count_ml(per_ml: ArrayLike, count: int = FEW_PARTICLES, confidence: float = 0.95) -> Floats:
    """Volume in which at least `count` particles are counted with the given confidence (20: no `>=`).

    Infinite for a concentration of 0. ValueError when it is negative or the confidence not between 0 and 1.
    """
    concentration = _checked_counts(per_ml)
    with np.errstate(divide="ignore"):
        return np.asarray(gamma_quantile(float(count), confidence) / concentration)


def volume_for_number_ml(
    per_ml: ArrayLike, confidence: float = 0.95, volume_uncertainty: float = 0.0, at_most: int | None = None
) -> Floats:
    """Volume needed so that the interval around the expected count lies within one scale number.

    With `at_most` only the upper limit is asked for, one-sided: that the number is not above `at_most`.
    NaN where no volume is enough: a concentration on a limit of the table (or
    above `at_most`), or a volume too uncertain. Errors as in `expected_counts`.
    """
    concentration = _checked_counts(per_ml)
    checked_uncertainty(volume_uncertainty)
    if at_most is not None and not 0 <= at_most <= HIGHEST:
        raise ValueError(f"scale numbers with an upper limit go from 0 to {HIGHEST}, not {at_most}")
    numbers = scale_numbers(concentration) if at_most is None else np.full(concentration.shape, at_most)
    bounds = np.concatenate([[0.0], UPPER_PER_ML, [np.inf]])
    bottom, top = bounds[numbers], bounds[numbers + 1]
    two_sided = confidence if at_most is None else 2 * confidence - 1
    if at_most is not None:
        tail_of(confidence)
        if two_sided <= 0:
            raise ValueError("a one-sided confidence must be above 0.5")

    def enough(volume: Floats) -> NDArray[np.bool_]:
        low, high = expected_counts(concentration * volume, two_sided, volume_uncertainty)
        inside = high / volume <= top
        return inside if at_most is not None else inside & ((low / volume > bottom) | (bottom == 0))

    # one expected particle, or one at the upper limit, is never enough; a tonne of oil is no sample
    low_log = np.log10(1 / np.maximum(concentration, np.minimum(top, 1e12)))
    high_log = np.full(concentration.shape, 9.0)
    possible = enough(10**high_log)
    for _ in range(45):
        middle = (low_log + high_log) / 2
        good = enough(10**middle)
        low_log, high_log = np.where(good, low_log, middle), np.where(good, middle, high_log)
    return np.where(possible, 10**high_log, np.nan)


def tail_of(confidence: float) -> float:
    """Probability in each tail of a two-sided statement; ValueError unless 0 < confidence < 1."""
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence between 0 and 1 is needed, not {confidence}")
    return (1 - confidence) / 2


def _checked_counts(counts: ArrayLike) -> Floats:
    values = np.asarray(counts, dtype=np.float64)
    if np.any(values < 0):
        raise ValueError("counts and concentrations cannot be negative")
    return values


def checked_uncertainty(relative: ArrayLike) -> Floats:
    """Relative standard uncertainties as an array; ValueError outside 0 to 0.5."""
    values = np.asarray(relative, dtype=np.float64)
    if not np.all((values >= 0) & (values <= 0.5)):
        raise ValueError("a relative standard uncertainty from 0 to 0.5 is needed")
    return values


def checked_volume(volume_ml: ArrayLike) -> Floats:
    """Volumes as an array; ValueError when one is not above 0."""
    values = np.asarray(volume_ml, dtype=np.float64)
    if np.any(values <= 0):
        raise ValueError("volumes must be above 0")
    return values


def _checked_dilution(dilution: ArrayLike) -> Floats:
    values = np.asarray(dilution, dtype=np.float64)
    if np.any(values < 1):
        raise ValueError("a dilution cannot be below 1")
    return values
