"""Counts with what they are read by, and what they allow to be said: limits of each channel's concentration,
chances of each scale number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats
from skidwright.checks.limits import CheckLimits
from skidwright.formulas.counting import Interval, interval, probability_text, scale_probabilities


@dataclass(frozen=True)
class Counted:
    """Of some samples `counts` (n, channels), and of each of them, (n,): `volume_ml` counted,
    `volume_spread`, its relative standard uncertainty, and `sensing_volume_ml` of the counter.
    """

    counts: NDArray[np.integer]
    volume_ml: Floats
    volume_spread: Floats
    sensing_volume_ml: Floats

    def __len__(self) -> int:
        return len(self.counts)

    def of(self, rows: NDArray[np.intp] | slice, channels: NDArray[np.intp] | slice = slice(None)) -> Counted:
        """Some of the samples, and some of their channels."""
        return Counted(
            self.counts[rows][:, channels],
            self.volume_ml[rows],
            self.volume_spread[rows],
            self.sensing_volume_ml[rows],
        )

    def put_together(self) -> Counted:
        """All as one sample: counts and volumes add up. The volume is known as well as that of the least sure
        one, since its error may be common to all; the sensing volume is their mean, by volume.
        """
        volume = self.volume_ml.sum()
        each = self.sensing_volume_ml
        sensing = (each * self.volume_ml).sum() / volume if volume > 0 else each.max()
        return Counted(
            self.counts.astype(np.int64).sum(axis=0)[None],
            np.array([volume]),
            np.array([self.volume_spread.max()]),
            np.array([sensing]),
        )


def read_by(limits: CheckLimits, counts: NDArray[np.integer], volume_ml: ArrayLike) -> Counted:
    """Samples that are all read by the same thresholds."""
    volume = np.asarray(volume_ml, np.float64)
    return Counted(
        counts,
        volume,
        np.full(len(volume), volume_spread(limits)),
        np.full(len(volume), limits.sensing_volume_ml),
    )


def volume_spread(limits: CheckLimits) -> float:
    """Relative standard uncertainty of the counted volume by the thresholds, a half at most."""
    return min(limits.volume_uncertainty_percent / 100, 0.5)


CONFIDENCE = 0.95
CODE_CHANNELS = 3


def limits_per_ml(
    counted: Counted, left_over_per_ml: ArrayLike = 0.0, settled_share: ArrayLike = 0.0
) -> Interval:
    """95 % limits of the true concentration per mL of each sample and channel, (n, channels).

    Garwood's limits, joined with the uncertainty of the volume and freed from coincidence
    (`skidwright.formulas.counting`): what flowed through the counter during the count. With
    `left_over_per_ml` and `settled_share` (n, channels, see `Verdicts`) they are what the machine holds:
    nobody knows how much of the fluid before was counted, between nothing and as much as laminar flow can
    leave, nor whether as many particles settled as Stokes' law lets them, so the limits reach over all of
    it. NaN where no volume was counted or the count is beyond the counter.
    """
    volume, none = _volume(counted)
    low, high = interval(
        counted.counts, volume, CONFIDENCE, counted.volume_spread[:, None], counted.sensing_volume_ml[:, None]
    )
    low = np.maximum(low + np.minimum(left_over_per_ml, 0.0), 0.0)
    high = (high + np.maximum(left_over_per_ml, 0.0)) / (1 - np.minimum(settled_share, 0.9))
    return Interval(np.where(none, np.nan, low), np.where(none, np.nan, high))


def number_texts(counted: Counted) -> list[list[str]]:
    """Chances of each scale number, such as `17 (83 %), 18 (17 %)`, for >=4, >=6 and >=14 um(c).

    Three texts a sample, an empty one where nothing can be said.
    """
    chances, none = _chances(counted)
    chances[none[:, 0]] = np.nan
    return [[probability_text(row) for row in sample] for sample in chances]


def chances_at_most(counted: Counted, target: tuple[int, int, int]) -> Floats:
    """Chance that the true scale number of >=4, >=6 and >=14 um(c) is at or below `target`, (n, 3).

    NaN where nothing can be said.
    """
    chances, none = _chances(counted)
    reached = np.stack([chances[:, i, : most + 1].sum(axis=-1) for i, most in enumerate(target)], axis=1)
    return np.where(none, np.nan, np.minimum(reached, 1.0))


def _chances(counted: Counted) -> tuple[Floats, NDArray[np.bool_]]:
    """Chances of each scale number, (n, 3, numbers), and where no volume was counted, (n, 1)."""
    volume, none = _volume(counted)
    counts = counted.counts[:, :CODE_CHANNELS]
    spread, sensing = counted.volume_spread[:, None], counted.sensing_volume_ml[:, None]
    return scale_probabilities(counts, volume, spread, sensing), none


def _volume(counted: Counted) -> tuple[Floats, NDArray[np.bool_]]:
    """Volumes (n, 1) with 1 uL in place of none, and where there was none."""
    volume = counted.volume_ml[:, None]
    return np.maximum(volume, 1e-3), volume <= 0
