"""What counting, volume and coincidence leave open in the newest valid sample, channel by channel."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from skidboard.records import CHANNELS_UM

from skidwright.report.model import VALID, AssetReport
from skidwright.samples.confidence import limits_per_ml, number_texts


class Line(NamedTuple):
    """One channel in words: its size, particles per mL, 95 % limits, chance of each scale number."""

    size: str
    counted: str
    per_ml: str
    limits: str
    chances: str


def openness(data: AssetReport) -> list[Line]:
    """A line a channel; none when there is no valid count. The 21 um(c) channel is in no code."""
    samples, last = data.samples, _newest(data)
    if not len(last):
        return []
    counts, counted = samples.counts[last], samples.counted(last)
    low, high = limits_per_ml(counted)
    chances = [*number_texts(counted)[0], "not part of the code"]
    return [
        Line(
            f"≥ {size} µm(c)",
            f"{counts[0, i]:,}",
            f"{samples.per_ml[last[0], i]:,.4g}",
            f"{low[0, i]:,.4g} to {high[0, i]:,.4g}",
            chances[i],
        )
        for i, size in enumerate(CHANNELS_UM)
    ]


def volume_uncertainty_percent(data: AssetReport) -> str:
    """Standard uncertainty of the counted volume of the same sample; "" without one."""
    return "".join(f"{100 * spread:.4g}" for spread in data.samples.volume_spread[_newest(data)].tolist())


def _newest(data: AssetReport) -> NDArray[np.intp]:
    """The row of the newest valid count, or none."""
    return np.flatnonzero(data.samples.counts_verdict == VALID)[-1:]
