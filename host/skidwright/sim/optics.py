"""What the light beam makes of the fluid: overlapping pulses, droplets among the particles, settled ones.

Size classes are those of `fluid.classes`; the counter's cumulative channels are their sums.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

# Shares of water droplets in the classes 4-6, 6-14, 14-21 and above 21 um(c): assumed, mostly fine.
DROPLET_SHARES = (0.50, 0.35, 0.12, 0.03)
# Middle sizes of the classes in um(c); particles settle with the square of their size (Stokes).
_MIDDLES_UM = (5.0, 10.0, 17.0, 25.0)


def seen(classes: Sequence[float], sensing_volume_nl: float) -> list[float]:
    """Pulses per mL in each class out of particles per mL, where several in the beam make one pulse.

    The pulse of several is as large as that of the largest, so each cumulative channel c shows
    c exp(-c v) (paralysable), whatever smaller particles there are.
    """
    volume_ml = sensing_volume_nl * 1e-6
    channels = []
    total = 0.0
    for n in reversed(classes):
        total += n
        channels.append(total * math.exp(-total * volume_ml))
    channels.reverse()
    # far above the most that can be shown, finer channels would fall below coarser ones: not so in a counter
    return [max(a - b, 0.0) for a, b in zip(channels, [*channels[1:], 0.0], strict=True)]


def settled(classes: Sequence[float], share: float) -> list[float]:
    """Classes of which the given share of the 14-21 um(c) has settled on the way, more of larger ones."""
    if share >= 1.0:
        return [classes[0], classes[1], 0.0, 0.0]
    return [
        n * (1.0 - share) ** ((d / _MIDDLES_UM[2]) ** 2) for n, d in zip(classes, _MIDDLES_UM, strict=True)
    ]


def droplets_per_ml(water_percent: float, from_percent: float, per_ml_percent: float) -> float:
    """Droplets per mL at a water saturation, `per_ml_percent` for each per cent above `from_percent`."""
    return max(water_percent - from_percent, 0.0) * per_ml_percent
