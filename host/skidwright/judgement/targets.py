"""Is the target met, and how sure is that? By the newest three valid samples, as the report's first line
says it.

The report compares the median scale number of the newest three valid samples with the target. Here the same
median gets its chance: how likely the middle one of the three true concentrations is at or below the
target's limit, given raw counts, counted volume (its uncertainty is common to the three) and coincidence.
Counts alone decide: what differs from sample to sample for another reason is in none of it.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.config import Asset
from skidwright.register.model import AssetRecord
from skidwright.samples.history import JUDGED, VALID, History
from skidwright.trade import coincidence
from skidwright.trade.distributions import gamma_cdf
from skidwright.trade.iso4406 import HIGHEST, UPPER_PER_ML

Floats = NDArray[np.float64]

MET, NOT_MET, OPEN, NO_VALID, NO_TARGET = "met", "not met", "open", "no valid samples", "no target set"
SURE = 0.95
CODE_CHANNELS = 3
# The volume's error is averaged over at so many standard deviations: near enough to each other for sharp
# counts.
_NODES = np.linspace(-4, 4, 65)
_WEIGHTS = np.exp(-(_NODES**2) / 2) / np.exp(-(_NODES**2) / 2).sum()


@dataclass(frozen=True)
class TargetState:
    """`state` is one of the words above. `code` is the median of the newest `samples` valid ones.

    `chances` gives for each of >=4, >=6, >=14 um(c) the chance of being at or below target; `above` by how
    many scale numbers the code lies above it (negative: below). Where the asset has a target for >=21 um(c)
    as well, both have a fourth number; the code keeps its three.
    """

    state: str
    code: tuple[int, ...] = ()
    chances: tuple[float, ...] = ()
    above: tuple[int, ...] = ()
    samples: int = 0
    newest: np.datetime64 | None = None

    @property
    def chance(self) -> float:
        """The lowest of the channels' chances; NaN when there is none."""
        return min(self.chances, default=float("nan"))

    @property
    def worst(self) -> int:
        """The channel furthest above target, or nearest below it."""
        return int(np.argmax(self.above)) if self.above else 0


def target_state(history: History, asset: Asset | AssetRecord, limits: CheckLimits) -> TargetState:
    """Whether `asset` meets its target by the newest valid samples of its history."""
    rows = np.flatnonzero(history.counts_verdict == VALID)[-JUDGED:]
    if not len(rows):
        return TargetState(NO_VALID if asset.target is not None else NO_TARGET)
    # of two middle values the worse one, as in the report
    code = np.sort(history.code[rows, :CODE_CHANNELS], axis=0)[len(rows) // 2].astype(int)
    newest = history.when[rows[-1]]
    if asset.target is None:
        return TargetState(NO_TARGET, tuple(code.tolist()), samples=len(rows), newest=newest)
    extra = getattr(asset, "target_21um", None)
    target = asset.target if extra is None else (*asset.target, extra)
    every = np.sort(history.code[rows, : len(target)], axis=0)[len(rows) // 2].astype(int)
    above = every - np.array(target)
    chances = at_or_below(history.counts[rows, : len(target)], history.volume_ml[rows], target, limits)
    if above.max() <= 0:
        state = MET if chances.min() >= SURE else OPEN
    else:
        state = NOT_MET if chances.min() <= 1 - SURE else OPEN
    return TargetState(
        state, tuple(code.tolist()), tuple(chances.tolist()), tuple(above.tolist()), len(rows), newest
    )


def at_or_below(
    counts: NDArray[np.integer], volume_ml: Floats, target: tuple[int, ...], limits: CheckLimits
) -> Floats:
    """Chance that the median of one to three true concentrations is at or below the target's, by channel.

    `counts` is (1 to 3, channels), `target` has as many scale numbers. Of two, both must be. One sample by
    itself: the mid-P distribution of `skidwright.trade.counting`. A target of 28 or more is always met.
    """
    spread = min(limits.volume_uncertainty_percent / 100, 0.5)
    top = UPPER_PER_ML[np.minimum(np.array(target), HIGHEST)]
    seen = coincidence.observed(top, np.asarray(limits.sensing_volume_ml))
    # (nodes, samples, channels): the count expected at the limit
    volume = volume_ml[None, :, None] * np.maximum(1 + spread * _NODES, 0.05)[:, None, None]
    expected = np.asarray(seen)[None, None, :] * volume
    count = np.broadcast_to(counts.astype(np.float64)[None], expected.shape)
    some = count > 0
    low = np.where(some, gamma_cdf(np.where(some, count, 1.0), expected), 1.0)
    each = (low + gamma_cdf(count + 1, expected)) / 2
    if len(counts) == 3:
        one, two, three = each[:, 0], each[:, 1], each[:, 2]
        median = one * two + one * three + two * three - 2 * one * two * three
    else:
        median = each.prod(axis=1)
    chance = np.where(np.array(target) >= HIGHEST, 1.0, _WEIGHTS @ median)
    return np.asarray(np.clip(chance, 0.0, 1.0))
