"""Raw counts of samples with what they are to be read by: each by the thresholds it was taken with."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.checks.limits import CheckLimits

Floats = NDArray[np.float64]


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
