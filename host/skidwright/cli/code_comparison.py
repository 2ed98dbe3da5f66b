"""What `skidwright code --compare` answers: whether two samples differ by more than counting allows."""

from collections.abc import Sequence
from typing import Any

from skidwright.cli.numbers import rounded
from skidwright.trade import iso4406
from skidwright.trade.comparison import compare

SIZES_UM = (4, 6, 14, 21)
NO_COUNT = (iso4406.TOO_MANY, iso4406.NOT_WANTED)


def compared(
    counts: Sequence[str],
    volume_ml: str,
    other_counts: Sequence[str],
    other_volume_ml: str,
    confidence: float,
    volume_uncertainty: float,
) -> dict[str, Any]:
    """Channel by channel the ratio of the first sample's concentration to the other's, and the verdict.

    Channels differ where the chance of such counts from one fluid is below (1 - confidence) divided by the
    number of channels (Bonferroni's bound, which needs no independence: cumulative channels have none).
    ValueError for what is no count, or when no channel was counted in both.
    """
    if len(counts) != len(other_counts):
        raise ValueError(f"--compare: {len(other_counts)} counts against {len(counts)}: give the same sizes")
    volume = float(iso4406.exact_fraction(volume_ml, "volume in mL"))
    other_volume = float(iso4406.exact_fraction(other_volume_ml, "volume in mL to compare with"))
    if other_volume <= 0:
        raise ValueError(f"volume in mL to compare with: {other_volume_ml} is not above 0")
    pairs = [
        (size, _count(mine), _count(theirs))
        for size, mine, theirs in zip(SIZES_UM, counts, other_counts, strict=False)
        if mine not in NO_COUNT and theirs not in NO_COUNT and not mine == theirs == "0"
    ]
    if not pairs:
        raise ValueError("--compare: no channel was counted in both samples")
    channels = []
    for size, mine, theirs in pairs:
        found = compare(mine, volume, theirs, other_volume, volume_uncertainty, confidence)
        channels.append(
            {
                "size_um": size,
                "counts": [mine, theirs],
                "ratio": rounded(found.ratio, 4, True),
                "ratio_low": rounded(found.ratio_low, 4, True),
                "ratio_high": rounded(found.ratio_high, 4, True),
                "p_value": float(f"{found.p_value:.3g}"),
                "differs": found.p_value < (1 - confidence) / len(pairs),
            }
        )
    return {
        "level": confidence,
        "channels": channels,
        "differ": any(channel["differs"] for channel in channels),
    }


def lines(found: dict[str, Any]) -> list[str]:
    """The same for people: a line a channel, then the verdict."""
    said = []
    for channel in found["channels"]:
        ratio = "endless" if channel["ratio"] is None else f"{channel['ratio']:g}"
        high = "without end" if channel["ratio_high"] is None else f"{channel['ratio_high']:g}"
        said.append(
            f">={channel['size_um']} um(c)  {ratio} times the other ({channel['ratio_low']:g} to {high} with "
            f"{100 * found['level']:g} % confidence); chance of so different counts from one fluid "
            f"{channel['p_value']:.2g}"
        )
    said.append(
        "the samples differ" if found["differ"] else "no difference that counting these particles could show"
    )
    return said


def _count(text: str) -> int:
    value = iso4406.exact_fraction(text, "count")
    if value < 0 or value.denominator != 1:
        raise ValueError(f"count: {text} is not a whole number from 0 up")
    if value > 10**9:
        raise ValueError(f"count: {text} is too large to be compared: a billion at most")
    return int(value)
