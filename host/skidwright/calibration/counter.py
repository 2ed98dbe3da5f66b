"""A particle counter against reference counts of one fluid: a comparison, no calibration to ISO 11171."""

from collections.abc import Sequence
from dataclasses import dataclass

from skidwright.errors import CalibrationError
from skidwright.formulas import comparison

STATEMENT = (
    "This compares two counts of one fluid. It is no calibration to ISO 11171, which sets the size "
    "thresholds with a certified suspension of test dust."
)
# A scale number is a factor of 2: what differs by less than half a number leaves most codes as they are.
_HALF_A_NUMBER = 2**0.5


@dataclass(frozen=True)
class ChannelResult:
    """One channel: ratio of ours to the reference with its 95 % limits, and what it means in words."""

    channel: str
    ours_per_ml: float
    reference_per_ml: float
    ratio: float
    low: float
    high: float
    p_value: float
    words: str


def compare(
    channels: Sequence[str],
    counts: Sequence[int],
    volume_ml: float,
    reference_counts: Sequence[int],
    reference_volume_ml: float,
    volume_uncertainty: float = 0.01,
) -> list[ChannelResult]:
    """Raw counts of the skid and of the reference, channel by channel (see `skidwright.formulas.comparison`).

    Raises CalibrationError when the numbers of channels differ or a number cannot be.
    """
    if not len(channels) >= len(counts) == len(reference_counts) > 0:
        raise CalibrationError(
            f"{len(counts)} counts and {len(reference_counts)} reference counts",
            "counts",
            "give as many of each",
        )
    for volume in (volume_ml, reference_volume_ml):
        if not 0 < volume < 1e6:
            raise CalibrationError(f"{volume:g} mL", "volume", "give the volume that was counted, in mL")
    return [
        _channel(name, ours, volume_ml, theirs, reference_volume_ml, volume_uncertainty)
        for name, ours, theirs in zip(channels, counts, reference_counts, strict=False)
    ]


def _channel(
    name: str, ours: int, volume_ml: float, theirs: int, reference_ml: float, uncertainty: float
) -> ChannelResult:
    if ours == theirs == 0:
        return ChannelResult(
            name, 0.0, 0.0, float("nan"), 0.0, float("inf"), 1.0, "nothing counted: says nothing"
        )
    try:
        found = comparison.compare(ours, volume_ml, theirs, reference_ml, uncertainty)
    except ValueError as problem:
        raise CalibrationError(
            str(problem), f"channel {name}", "give whole counts and volumes in mL"
        ) from None
    if found.ratio_high < 1 / _HALF_A_NUMBER or found.ratio_low > _HALF_A_NUMBER:
        words = "differs by more than half a scale number: have the counter calibrated"
    elif not found.ratio_low <= 1 <= found.ratio_high:
        words = "differs, by less than a scale number"
    elif found.ratio_low >= 1 / _HALF_A_NUMBER and found.ratio_high <= _HALF_A_NUMBER:
        words = "agrees within half a scale number"
    else:
        words = "no difference seen, but too few particles to say more"
    return ChannelResult(
        name, ours / volume_ml, theirs / reference_ml, found.ratio, found.ratio_low, found.ratio_high,
        found.p_value, words,
    )  # fmt: skip
