"""What counting, volume and coincidence leave open in the newest valid sample, channel by channel."""

from typing import NamedTuple

import numpy as np
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
    samples = data.samples
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if not len(believed):
        return []
    last = believed[-1:]
    counts, volume_ml = samples.counts[last], samples.volume_ml[last]
    low, high = limits_per_ml(counts, volume_ml, data.limits)
    chances = [*number_texts(counts, volume_ml, data.limits)[0], "not part of the code"]
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
