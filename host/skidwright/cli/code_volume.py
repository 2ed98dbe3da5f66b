"""What `skidwright code --volume-needed` answers: how much fluid must be counted for a code to be sure."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from skidwright.cli.numbers import rounded
from skidwright.trade import counting, iso4406

SIZES_UM = (4, 6, 14)


def needed(
    per_ml: Sequence[float | None], confidence: float, volume_uncertainty: float, target: Sequence[int] | None
) -> dict[str, Any]:
    """Volumes in mL for the three channels of the code, and the largest of them for the whole code.

    `number_ml`: enough for the interval around the count to lie within one scale number, or, with a
    `target`, for its upper limit not to be above that number. `no_mark_ml`: enough that 20 particles are
    counted, so that the number needs no `>=`. None where no volume is enough. ValueError when none of
    the channels was counted.
    """
    channels = []
    for i, (size, value) in enumerate(zip(SIZES_UM, per_ml, strict=False)):
        if value is None:
            continue
        at_most = None if target is None else target[i]
        channels.append(
            {
                "size_um": size,
                "per_ml": value,
                "scale_number": iso4406.number_text(int(iso4406.scale_numbers(value))),
                "at_most": at_most,
                "number_ml": rounded(
                    counting.volume_for_number_ml(value, confidence, volume_uncertainty, at_most), 3, True
                ),
                "no_mark_ml": rounded(counting.volume_for_count_ml(value, confidence=confidence), 3, True),
            }
        )
    if not channels:
        raise ValueError("--volume-needed: no channel with a concentration was given")
    volumes = [channel["number_ml"] for channel in channels]
    return {
        "level": confidence,
        "channels": channels,
        "whole_code_ml": None if None in volumes else float(np.max([v for v in volumes if v is not None])),
    }


def lines(found: dict[str, Any]) -> list[str]:
    """The same for people, a line a channel and one for the whole code."""
    said = []
    percent = f"{100 * found['level']:g} %"
    for channel in found["channels"]:
        number, volume = channel["scale_number"], channel["number_ml"]
        wanted = f"is {number}" if channel["at_most"] is None else f"is not above {channel['at_most']}"
        if volume is not None:
            enough = f"{volume:g} mL show with {percent} confidence that its number {wanted}"
        elif channel["at_most"] is not None:
            enough = f"no volume shows that its number {wanted}: by this concentration it is {number}"
        else:
            enough = f"no volume shows that its number {wanted}: too near to a limit, or volume too uncertain"
        mark = channel["no_mark_ml"]
        said.append(f">={channel['size_um']} um(c)  {enough}" + (f"; {mark:g} mL hold 20" if mark else ""))
    whole = found["whole_code_ml"]
    said.append("whole code  " + ("no volume is enough" if whole is None else f"{whole:g} mL"))
    return said
