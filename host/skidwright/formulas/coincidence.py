"""Coincidence in an optical counter: the exponential (paralysable) model and its inverse.

Two particles in the sensing volume at once are seen as one. With a sensing
volume v the counter sees c_o = c exp(-c v) of a true concentration c: G. F.
Knoll, "Radiation Detection and Measurement", chapter 4 (paralysable dead time;
a dead time t and a flow q make v = q t). The inverse is c = -W(-c_o v) / v
with Lambert's W on its principal branch (R. M. Corless et al., "On the Lambert
W function", Advances in Computational Mathematics 5, 1996).

Past its peak at c = 1/v the counter sees fewer particles the more there are.
So an observed concentration has two causes, of which the lower is taken here:
counts from beyond the peak cannot be told from counts below it. No true
concentration gives more than 1/(e v): above that there is no answer, and NaN
says so.

Each size channel has its own threshold, and a small particle beside a large
one does not hide the large one. So the correction is made channel by channel,
each with its own concentration.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

# Loss above which a count is flagged: common practice (counters' concentration limits are
# often stated for 5 % coincidence error), no single source.
HEAVY_LOSS = 0.05


class Corrected(NamedTuple):
    """True concentrations per mL and the share of particles lost, both float64, NaN where refused."""

    true_per_ml: NDArray[np.float64]
    loss_fraction: NDArray[np.float64]


def sensing_volume_ml(dead_time_s: ArrayLike, flow_ml_s: ArrayLike) -> NDArray[np.float64]:
    """The sensing volume that a dead time of the counter makes at a flow; ValueError when negative."""
    dead_time = np.asarray(dead_time_s, dtype=np.float64)
    flow = np.asarray(flow_ml_s, dtype=np.float64)
    if np.any(dead_time < 0) or np.any(flow < 0):
        raise ValueError("dead time and flow cannot be negative")
    return dead_time * flow


def limit_per_ml(sensing_volume_ml: ArrayLike) -> NDArray[np.float64]:
    """The highest concentration the counter can show, 1/(e v), per mL; infinite for no sensing volume."""
    volume = _checked_volume(sensing_volume_ml)
    with np.errstate(divide="ignore"):
        return 1.0 / (np.e * volume)


def observed(true_per_ml: ArrayLike, sensing_volume_ml: ArrayLike) -> NDArray[np.float64]:
    """What the counter shows of a true concentration, per mL. ValueError for negative arguments."""
    true = _checked_concentration(true_per_ml)
    return true * np.exp(-true * _checked_volume(sensing_volume_ml))


def correct(observed_per_ml: ArrayLike, sensing_volume_ml: ArrayLike) -> Corrected:
    """The true concentration behind an observed one, per mL, and the fraction lost to coincidence.

    Arguments broadcast. NaN where the observed concentration is above
    `limit_per_ml`, never the limit itself. ValueError for negative arguments.
    """
    seen, volume = np.broadcast_arrays(
        _checked_concentration(observed_per_ml), _checked_volume(sensing_volume_ml)
    )
    occupancy = -lambert_w(-seen * volume)
    # c = c_o exp(c v): also right where v is 0, unlike a division by it
    return Corrected(seen * np.exp(occupancy), -np.expm1(-occupancy))


def lambert_w(x: ArrayLike) -> NDArray[np.float64]:
    """Principal branch of Lambert's W for -1/e <= x <= 0, by Halley's method; NaN below, ValueError above."""
    value = np.asarray(x, dtype=np.float64)
    if np.any(value > 0):
        raise ValueError("only arguments from -1/e to 0 are needed here")
    distance = value + 1 / np.e
    # two units in the last place, so that the branch point itself, which no float hits, counts as inside
    refused = ~(distance >= -1.2e-16)
    root = np.sqrt(2 * np.e * np.where(refused, 0.0, np.maximum(distance, 0.0)))
    # series at the branch point (Corless et al., equation 4.22), good over the whole range as a start
    w = -1 + root * (1 + root * (-1 / 3 + root * (11 / 72 + root * (-43 / 540 + root * 769 / 17280))))
    near = (
        root < 1e-3
    )  # the series is exact to rounding there, and Halley's step would divide by nearly nothing
    for _ in range(4):
        exp_w = np.exp(w)
        error = w * exp_w - value
        slope = exp_w * (w + 1)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = error / (slope - (w + 2) * error / (2 * w + 2))
        w = np.where(near | refused, w, w - step)
    return np.where(refused, np.nan, np.minimum(w, 0.0))


def _checked_concentration(per_ml: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(per_ml, dtype=np.float64)
    if np.any(values < 0):
        raise ValueError("a concentration in particles per mL cannot be negative")
    return values


def _checked_volume(volume_ml: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(volume_ml, dtype=np.float64)
    if np.any(values < 0):
        raise ValueError("a sensing volume cannot be negative")
    return values
