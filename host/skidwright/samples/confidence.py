"""What raw counts allow to be said: limits of each channel's concentration, chances of each scale number."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.trade.counting import Interval, interval, probability_text, scale_probabilities

CONFIDENCE = 0.95
CODE_CHANNELS = 3
Floats = NDArray[np.float64]


def limits_per_ml(
    counts: NDArray[np.integer],
    volume_ml: ArrayLike,
    limits: CheckLimits,
    left_over_per_ml: ArrayLike = 0.0,
    settled_share: ArrayLike = 0.0,
) -> Interval:
    """95 % limits of the true concentration per mL out of raw `counts` (n, channels) in `volume_ml` (n,).

    Garwood's limits, joined with the uncertainty of the volume and freed from coincidence
    (`skidwright.trade.counting`): what flowed through the counter during the count. With
    `left_over_per_ml` and `settled_share` (n, channels, see `Verdicts`) they are what the machine holds:
    nobody knows how much of the fluid before was counted, between nothing and as much as laminar flow can
    leave, nor whether as many particles settled as Stokes' law lets them, so the limits reach over all of
    it. NaN where no volume was counted or the count is beyond the counter.
    """
    volume, none = _volume(volume_ml)
    low, high = interval(counts, volume, CONFIDENCE, _uncertainty(limits), limits.sensing_volume_ml)
    low = np.maximum(low + np.minimum(left_over_per_ml, 0.0), 0.0)
    high = (high + np.maximum(left_over_per_ml, 0.0)) / (1 - np.minimum(settled_share, 0.9))
    return Interval(np.where(none, np.nan, low), np.where(none, np.nan, high))


def number_texts(counts: NDArray[np.integer], volume_ml: ArrayLike, limits: CheckLimits) -> list[list[str]]:
    """Chances of each scale number, such as `17 (83 %), 18 (17 %)`, for >=4, >=6 and >=14 um(c).

    Arguments as in `limits_per_ml`; three texts a sample, an empty one where nothing can be said.
    """
    volume, none = _volume(volume_ml)
    chances = scale_probabilities(
        counts[:, :CODE_CHANNELS], volume, _uncertainty(limits), limits.sensing_volume_ml
    )
    chances[none[:, 0]] = np.nan
    return [[probability_text(row) for row in sample] for sample in chances]


def chances_at_most(
    counts: NDArray[np.integer], volume_ml: ArrayLike, target: tuple[int, int, int], limits: CheckLimits
) -> Floats:
    """Chance that the true scale number of >=4, >=6 and >=14 um(c) is at or below `target`, (n, 3).

    Arguments as in `limits_per_ml`; NaN where nothing can be said.
    """
    volume, none = _volume(volume_ml)
    chances = scale_probabilities(
        counts[:, :CODE_CHANNELS], volume, _uncertainty(limits), limits.sensing_volume_ml
    )
    reached = np.stack([chances[:, i, : most + 1].sum(axis=-1) for i, most in enumerate(target)], axis=1)
    return np.where(none, np.nan, np.minimum(reached, 1.0))


def _volume(volume_ml: ArrayLike) -> tuple[Floats, NDArray[np.bool_]]:
    """Volumes (n, 1) with 1 uL in place of none, and where there was none."""
    volume = np.asarray(volume_ml, np.float64)[:, None]
    return np.maximum(volume, 1e-3), volume <= 0


def _uncertainty(limits: CheckLimits) -> float:
    return min(limits.volume_uncertainty_percent / 100, 0.5)
