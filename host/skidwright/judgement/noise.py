"""How points scatter about their level, and how alike neighbouring ones are: the one model of noise.

A point is its level, independent noise, and first-order noise that is alike from one point to the next. Half
the variance of differences over some lags is w + s (1 - r^lag) for independent noise of variance w and
first-order noise of variance s and correlation r, and steps and drifts of the level hardly show in it (S.
Chakar, E. Lebarbier, C. Levy-Leduc and S. Robin, "A robust approach for estimating change-points in the mean
of an AR(1) process", Bernoulli 23, 2017, do so with two lags; from memory). The variances are robust, since
samples can be odd. Charts and change points fit the model to them here; `line` weighs all of it that may be,
by what is likely; `scatter` has the same variances for single samples.

How alike points are is only estimated, and what rests on it must be wider for that (D. W. Apley and H. C.
Lee, "Design of exponentially weighted moving average control charts for autocorrelated processes with model
uncertainty", Technometrics 45, 2003). Their way is to widen the limits by the model's uncertainty; here the
model is not the one that fits best but, of all that chance lets fit, the one that wanders most.
"""

from dataclasses import dataclass

import numpy as np

from skidwright.arrays import Floats

# Median absolute deviation of a normal distribution is its standard deviation over this.
MAD_TO_SD = 1.4826
# Beyond so many standard deviations a value counts as lying there.
_HELD_AT = 3.0
# Variance of a standard normal value held at 3: 1 - what the tails lose; computed, see tests/judgement.
_HELD_VARIANCE = 0.99501
# Strays count as lying within reach of the median of so many points about each.
_WINDOW = 7
LAGS = (1, 2, 3, 5, 8)
# A forecast looks back so many points; what lies further back weighs next to nothing.
MEMORY = 5
_GRID = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.93)
# Fewer points do not tell apart what is alike from what drifts.
LEAST_FOR_ALIKE = 20
# A model fits as well as chance lets it when its sum of squares, of half variances scaled to a mean of one,
# exceeds the least one by no more than this over the number of points. Chosen for few false alarms with
# points alike by 0 to 0.9, on other seeds than those of `make trends`.
CHANCE = 3.0


@dataclass(frozen=True)
class Noise:
    """Noise of some series: standard deviation of a point, of whose variance a `share` is first-order noise
    of correlation `alike` from one point to the next."""

    sd: Floats
    share: Floats
    alike: Floats

    @property
    def more(self) -> Floats:
        """By how much the mean of many points varies more than that of independent ones."""
        return np.asarray(1 - self.share + self.share * (1 + self.alike) / (1 - self.alike))

    @property
    def long_run(self) -> Floats:
        """Variance of the mean of many points, times their number."""
        return np.asarray(self.sd**2 * self.more)

    def of_mean(self, points: int) -> Floats:
        """Variance of the mean of so many neighbouring points, in variances of a point."""
        apart = np.arange(1, points).reshape(-1, *(1,) * np.ndim(self.alike))
        return np.asarray(
            (1 + 2 * self.share * ((1 - apart / points) * self.alike**apart).sum(axis=0)) / points
        )

    def of_average(self, weight: float) -> Floats:
        """Variance of an exponentially weighted average, in variances of a point.

        W. Schmid, "On EWMA charts for time series", Frontiers in Statistical Quality Control 5, 1997 (from
        memory).
        """
        left = self.alike * (1 - weight)
        return np.asarray(weight / (2 - weight) * (1 - self.share + self.share * (1 + left) / (1 - left)))

    def forecast_weights(self) -> Floats:
        """Weights of the `MEMORY` points before a point, newest first, in its best linear forecast,
        (MEMORY, k).

        The steady state of Kalman's filter: with P the variance of the forecast of the first-order part, in
        variances of a point, P = r^2 P q / (P + q) + s (1 - r^2), q = 1 - s (R. E. Kalman, 1960).
        """
        r, s = self.alike, self.share
        q = 1 - s
        b = (1 - r**2) * (q - s)
        ahead = (np.sqrt(b**2 + 4 * s * (1 - r**2) * q) - b) / 2
        gain = ahead / np.maximum(ahead + q, 1e-12)
        age = np.arange(MEMORY).reshape(-1, *(1,) * r.ndim)
        return np.asarray(r * gain * (r * (1 - gain)) ** age)


def held_variance(away: Floats, rough: Floats | float) -> Floats:
    """Variance along the last axis of values held within 3 standard deviations `rough` (..., 1) of 0."""
    held = np.clip(away, -_HELD_AT * rough, _HELD_AT * rough)
    return np.asarray((held**2).mean(axis=-1) / _HELD_VARIANCE)


def held_sd(values: Floats) -> Floats:
    """Standard deviation along the last axis with values held within 3 of it: nearly as sharp as the usual
    one.

    Whole steps and strays in a few of many values move it little.
    """
    away = values - np.median(values, axis=-1, keepdims=True)
    rough = MAD_TO_SD * np.median(np.abs(away), axis=-1, keepdims=True)
    # where more than half of all values are equal the median deviation says nothing
    rough = np.where(rough > 0, rough, values.std(axis=-1, keepdims=True))
    return np.sqrt(held_variance(away, rough))


def strays_held(values: Floats, sd: Floats | None = None, at: float = _HELD_AT) -> Floats:
    """Rows (..., n) in which what is more than 3 standard deviations from the median of the seven points
    about it lies `at` so many from it.

    `sd` (...,): that of the points, else found from how far they are from that median.
    """
    half = _WINDOW // 2
    if values.shape[-1] < _WINDOW:
        return values
    padded = np.pad(values, [(0, 0)] * (values.ndim - 1) + [(half, half)], mode="reflect")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, _WINDOW, axis=-1), axis=-1)
    away = values - middle
    if sd is None:
        sd = MAD_TO_SD * np.median(np.abs(away), axis=-1)
    size = np.where(sd > 0, sd, np.inf)[..., None]
    stray = np.abs(away) > _HELD_AT * size
    return np.where(stray, middle + np.copysign(at, away) * np.where(stray, size, 1.0), values)


def half_variances(rows: Floats) -> Floats:
    """Half the robust variance of differences over `LAGS` points in each row of (k, n), (k, lags).

    Lags of more than a fifth of the points are left out.
    """
    lags = [lag for lag in LAGS if lag <= rows.shape[-1] // 5]
    return np.stack([held_sd(rows[:, lag:] - rows[:, :-lag]) ** 2 / 2 for lag in lags], axis=1)


def scaled(half: Floats) -> Floats:
    """Half variances (k, lags) scaled to a mean of 1: what differs only in size can be averaged then."""
    mean = half.mean(axis=1, keepdims=True)
    return np.asarray(np.where(mean > 0, half / np.where(mean > 0, mean, 1.0), 1.0))


def fitted(
    half: Floats, points: Floats, chance: float = CHANCE, doubt: float = 0.0, most: float = _GRID[-1]
) -> Noise:
    """The noise that wanders most of all that fit `half` (k, lags), known from `points` (k,) points, as well
    as chance lets them; with a `chance` of 0 the one that fits best.

    With `doubt`, independent noise is taken to fit better than it does by as much as `chance` would let it.
    Points are taken to be alike by `most` at the most.
    """
    lags = np.array(LAGS[: half.shape[1]])
    y = scaled(half)
    mean = y.mean(axis=1)
    centred = y - mean[:, None]
    errors = [(centred**2).sum(axis=1) - doubt / points]
    sizes, shares = [np.ones(len(y))], [np.zeros(len(y))]
    grid = [r for r in _GRID if r <= most]
    for r in grid:
        x = 1 - r**lags
        off = x - x.mean()
        part = (centred @ off) / (off @ off)
        rest = mean - part * x.mean()
        part = np.where(rest < 0, (y @ x) / (x @ x), part)
        part, rest = np.maximum(part, 0.0), np.maximum(rest, 0.0)
        rest = np.where(part > 0, rest, mean)
        errors.append(((y - rest[:, None] - part[:, None] * x) ** 2).sum(axis=1))
        sizes.append(rest + part)
        shares.append(part / (rest + part))
    error, size, share = np.array(errors), np.array(sizes), np.array(shares)
    alike = np.broadcast_to(np.array((0.0, *grid))[:, None], share.shape)
    fits = error <= error.min(axis=0) + chance / points
    chosen = np.where(fits, Noise(size, share, alike).more, -1.0).argmax(axis=0), np.arange(len(half))
    return Noise(np.sqrt(half.mean(axis=1) * size[chosen]), share[chosen], alike[chosen])


def noise_of(values: Floats, floor: Floats, most: float = _GRID[-1]) -> Noise:
    """The noise that fits each row of (k, n) best; `floor` (k,) is the least deviation of a point.

    A change must be seen while few points show it, and a step makes points look alike: so they count as alike
    only where that fits better than chance lets it.
    """
    series, n = values.shape
    if n < LEAST_FOR_ALIKE:
        none = np.zeros(series)
        spread = held_sd(np.diff(values, axis=-1)) / np.sqrt(2) if n > 2 else none
        return Noise(np.maximum(spread, floor), none, none)
    found = fitted(half_variances(values), np.full(series, float(n)), chance=0.0, doubt=CHANCE, most=most)
    return Noise(np.maximum(found.sd, floor), found.share, found.alike)
