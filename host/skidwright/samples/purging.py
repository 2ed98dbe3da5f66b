"""In which order to sample assets so that purging takes least, and how much each needs after the one before.

The law is that of `skidwright.formulas.purge`, the bounds are those of the check `purge-carryover`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import permutations

import numpy as np

from skidwright.arrays import Floats
from skidwright.checks import CATALOGUE
from skidwright.checks.catalogue import ABSENT, VALID
from skidwright.formulas import purge
from skidwright.samples.history import JUDGED, History

# A sample refused for these only still says about how dirty its asset is.
_LEFT_OVER = ("purge-carryover", "purge-short")


@dataclass(frozen=True)
class Level:
    """Particles per mL >=4, >=6, >=14, >=21 um(c) of an asset: median of its newest samples.

    `certain` is False when no sample was valid and some of the fluid before may be counted with it.
    """

    per_ml: Floats
    certain: bool


@dataclass(frozen=True)
class PurgedLine:
    """What the purge is worked with: volumes in mL, the share that may be left over, the least purge."""

    volume_ml: float
    sample_ml: float
    share: float
    least_volumes: float


@dataclass(frozen=True)
class Order:
    """`assets` one after the other, round and round; `purge_ml` is what each needs after the one before."""

    assets: tuple[int, ...]
    purge_ml: tuple[float, ...]

    @property
    def round_ml(self) -> float:
        """Purged in one round of all assets."""
        return sum(self.purge_ml)


def level(history: History) -> Level | None:
    """How dirty an asset is by its newest samples; None when there is no sample that says so."""
    there = np.isfinite(history.per_ml).all(axis=1) & (history.counts_verdict != ABSENT)
    good = np.flatnonzero(there & (history.counts_verdict == VALID))
    if len(good):
        return Level(np.median(history.per_ml[good[-JUDGED:]], axis=0), True)
    spoke = np.uint64(sum(1 << i for i, c in enumerate(CATALOGUE) if c.severity and c.id not in _LEFT_OVER))
    rest = np.flatnonzero(there & (history.reasons & spoke == 0))
    # what is left over mostly makes a clean asset look dirtier
    return Level(history.per_ml[rest[-JUDGED:]].min(axis=0), False) if len(rest) else None


def needed_ml(before: Floats, own: Floats, line: PurgedLine) -> float:
    """Purge in mL for an asset after another, never less than the least."""
    allowed = purge.allowed_per_ml(own, np.asarray(line.sample_ml), line.share)
    volumes = float(purge.volumes_for(np.abs(before - own), allowed).max())
    return max(volumes, line.least_volumes) * line.volume_ml


def in_order(assets: Sequence[int], levels: Mapping[int, Level], line: PurgedLine) -> Order:
    """What a given order needs; each asset comes after the one before it, the first after the last."""
    before = [assets[-1], *assets[:-1]]
    needed = (
        needed_ml(levels[b].per_ml, levels[a].per_ml, line) for b, a in zip(before, assets, strict=True)
    )
    return Order(tuple(assets), tuple(needed))


def least(levels: Mapping[int, Level], line: PurgedLine) -> Order:
    """The order that needs least, of all there are (5,040 for eight assets), from the lowest number on.

    ValueError when there is no asset.
    """
    first, *others = sorted(levels)
    needed = {(b, a): needed_ml(levels[b].per_ml, levels[a].per_ml, line) for b in levels for a in levels}
    best = min(
        ((first, *rest) for rest in permutations(others)),
        key=lambda o: (round(sum(needed[b, a] for b, a in zip((o[-1], *o[:-1]), o, strict=True)), 6), o),
    )
    return in_order(best, levels, line)
