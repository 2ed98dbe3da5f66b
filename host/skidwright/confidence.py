"""What the raw counts of samples allow to be said: limits of each channel, chances of each scale number."""

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.trade.counting import Interval, interval, probability_text, scale_probabilities

CONFIDENCE = 0.95
CODE_CHANNELS = 3
Floats = NDArray[np.float64]


def limits_per_ml(samples: NDArray[np.void], limits: CheckLimits) -> Interval:
    """95 % limits of the true concentration per mL of `n` samples (dtype `layouts.SAMPLE`), both (n, 4).

    Garwood's limits of the raw counts, joined with the uncertainty of the volume and freed from coincidence
    (`skidwright.trade.counting`). NaN where no volume was counted or the count is beyond the counter.
    """
    volume_ml, none = _volume(samples)
    low, high = interval(
        samples["counts"], volume_ml, CONFIDENCE, _volume_uncertainty(limits), limits.sensing_volume_ml
    )
    return Interval(np.where(none, np.nan, low), np.where(none, np.nan, high))


def number_texts(samples: NDArray[np.void], limits: CheckLimits) -> list[list[str]]:
    """For each sample the chances of each scale number of its code, such as `17 (83 %), 18 (17 %)`.

    Three texts a sample, for >=4, >=6 and >=14 um(c); an empty one where nothing can be said.
    """
    volume_ml, none = _volume(samples)
    chances = scale_probabilities(
        samples["counts"][:, :CODE_CHANNELS], volume_ml, _volume_uncertainty(limits), limits.sensing_volume_ml
    )
    chances[none[:, 0]] = np.nan
    return [[probability_text(row) for row in sample] for sample in chances]


def _volume(samples: NDArray[np.void]) -> tuple[Floats, NDArray[np.bool_]]:
    """Volumes (n, 1) with 1 uL in place of none, and where there was none."""
    volume_ul = samples["volume_ul"][:, None]
    return np.maximum(volume_ul, 1) * 1e-3, volume_ul == 0


def _volume_uncertainty(limits: CheckLimits) -> float:
    return min(limits.volume_uncertainty_percent / 100, 0.5)
