"""How alike neighbouring points are, and what is to be expected of the next one.

Points are taken as the sum of independent noise and first-order noise. What is left when each point's
forecast from those before it is taken away is nearly independent, whatever the points were; a control chart
of that keeps its false-alarm rate (L. C. Alwan and H. V. Roberts, "Time-series modeling for statistical
process control", Journal of Business and Economic Statistics 6, 1988; from memory). How alike points are is
itself only estimated, and limits have to be wider for that (D. W. Apley and H. C. Lee, "Design of
exponentially weighted moving average control charts for autocorrelated processes with model uncertainty",
Technometrics 45, 2003). Their way is to widen the limits by the model's uncertainty; here the model is not
the one that fits best but, of all that chance lets fit, the one that wanders most.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.robust import held_sd

Floats = NDArray[np.float64]

LAGS = np.array((1, 2, 3, 5, 8))
# A forecast looks back so many points; what lies further back weighs next to nothing.
MEMORY = 5
_GRID = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.75, 0.8, 0.85, 0.9, 0.93)
# A model fits as well as chance lets it when its sum of squares, of half variances scaled to a mean of one,
# exceeds the least one by no more than this over the number of points. Chosen for few false alarms with
# points alike by 0 to 0.9, on other seeds than those of `make trends`.
CHANCE = 3.0


def half_variances(rows: Floats) -> Floats:
    """Half the robust variance of differences over `LAGS` points in each row of (k, n), scaled to mean 1,
    (k, lags).

    So scaled, what differs only in size can be averaged. n of more than 8 is needed.
    """
    half = np.stack([held_sd(rows[:, lag:] - rows[:, :-lag]) ** 2 / 2 for lag in LAGS], axis=1)
    mean = half.mean(axis=1, keepdims=True)
    return np.asarray(np.where(mean > 0, half / np.where(mean > 0, mean, 1.0), 1.0))


@dataclass(frozen=True)
class Likeness:
    """Models of k series: `share` of a point's variance is first-order noise of correlation `alike`."""

    share: Floats
    alike: Floats

    @property
    def more(self) -> Floats:
        """By how much the mean of many points varies more than that of independent ones."""
        return np.asarray(1 - self.share + self.share * (1 + self.alike) / (1 - self.alike))

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


def fitted(half: Floats, points: Floats, chance: float) -> Likeness:
    """The model that wanders most of those that fit `half` (k, lags) as well as `chance` lets them.

    With a `chance` of 0 it is the one that fits best.

    `half` as by `half_variances`, known from `points` (k,) points. `chance` as `CHANCE`.
    """
    mean = half.mean(axis=1)
    centred = half - mean[:, None]
    errors = [(centred**2).sum(axis=1)]
    shares = [np.zeros(len(half))]
    for r in _GRID:
        x = 1 - r**LAGS
        off = x - x.mean()
        part = (centred @ off) / (off @ off)
        rest = mean - part * x.mean()
        part = np.where(rest < 0, (half @ x) / (x @ x), part)
        part, rest = np.maximum(part, 0.0), np.maximum(rest, 0.0)
        rest = np.where(part > 0, rest, mean)
        errors.append(((half - rest[:, None] - part[:, None] * x) ** 2).sum(axis=1))
        shares.append(part / (rest + part))
    error, share = np.array(errors), np.array(shares)
    alike = np.array((0.0, *_GRID))
    more = Likeness(share, np.broadcast_to(alike[:, None], share.shape)).more
    fits = error <= error.min(axis=0) + chance / points
    chosen = np.where(fits, more, -1.0).argmax(axis=0)
    return Likeness(share[chosen, np.arange(len(half))], alike[chosen])
