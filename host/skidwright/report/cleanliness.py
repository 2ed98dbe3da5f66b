"""Is the fluid clean enough? Decided from valid samples only."""

import numpy as np
from numpy.typing import NDArray

from skidwright.report.model import VALID, AssetReport
from skidwright.report.part import BAD, CLOSE, GOOD, UNKNOWN, Part, iso_time
from skidwright.samples.confidence import limits_per_ml
from skidwright.samples.history import JUDGED
from skidwright.trade.code_text import format_code
from skidwright.trade.iso4406 import UPPER_PER_ML

NO_COUNTS = "cleanliness unknown"
SIZES = ("≥ 4 µm(c)", "≥ 6 µm(c)", "≥ 14 µm(c)")


def cleanliness(data: AssetReport) -> Part:
    """The answer for cleanliness: the upper median of the newest valid codes against the asset's target."""
    samples, target = data.samples, data.asset.target
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if not len(believed):
        return Part(
            UNKNOWN,
            NO_COUNTS,
            ["No particle count could be believed; the reasons are in the table of excluded samples below."],
            ["Remove the causes listed under excluded samples, then sample again."],
        )
    last = believed[-JUDGED:]
    code = _upper_median(samples.code[last, :3])
    shown = format_code(code.tolist())
    how_many = f"median of the newest {len(last)} valid samples" if len(last) > 1 else "the only valid sample"
    findings = [f"Cleanliness: {shown} ({how_many}, newest {iso_time(samples.when[last[-1]])})."]
    trend = _trend(samples.code[believed, :3])
    if target is None:
        findings[0] += " No target was set in skid.toml, so this is a number without a judgement."
        return Part(
            UNKNOWN, f"cleanliness {shown}, no target set", findings + trend, ["Set a target for this asset."]
        )
    over = code.astype(int) - np.array(target)
    findings[0] = findings[0][:-1] + f" against a target of {format_code(target)}."
    if over.max() <= 0:
        borderline = _borderline(data, last, target)
        findings += borderline + trend
        rising = any("rising" in line for line in trend)
        if rising:
            return Part(
                CLOSE, "clean enough, though getting dirtier", findings, _dirt_actions(rising_only=True)
            )
        return Part(CLOSE if over.max() == 0 and borderline else GOOD, "clean enough", findings)
    worst = int(np.argmax(over))
    step = int(over[worst])
    times = float(np.median(samples.per_ml[last, worst]) / UPPER_PER_ML[target[worst]])
    findings.append(
        f"Worst at {SIZES[worst]}: {step} scale number{'s' if step > 1 else ''} above target, with "
        f"{times:.1f} times as many particles as the target allows."
    )
    words = "slightly dirtier than its target" if step == 1 else "dirtier than its target"
    return Part(BAD, words, findings + trend, _dirt_actions(coarse=worst == 2))


def _dirt_actions(coarse: bool = False, rising_only: bool = False) -> list[str]:
    actions = [
        "Look where dirt gets in: breather, filler cap, seals, the last top-up or repair.",
        "Check the filter's clogging indicator and by-pass; keep the filter running and sample again "
        "within a day.",
    ]
    if rising_only:
        return actions[:1] + ["Sample again within a day to see whether it keeps rising."]
    if coarse:
        actions.append(
            "Large particles lead: think of wear. Have a laboratory look at a bottle sample before "
            "loading the machine hard."
        )
    return actions


def _upper_median(codes: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Median by channel; of two middle values the worse one."""
    middle: NDArray[np.uint8] = np.sort(codes, axis=0)[len(codes) // 2]
    return middle


def _trend(codes: NDArray[np.uint8]) -> list[str]:
    """Whether the newest three differ from the six before them by a whole number or more."""
    if len(codes) < 3 * JUDGED:
        return []
    new = _upper_median(codes[-JUDGED:]).astype(int)
    old = _upper_median(codes[-3 * JUDGED : -JUDGED]).astype(int)
    change = new - old
    if change.max() >= 1:
        return [f"It is rising: the six valid samples before these stood at {format_code(old.tolist())}."]
    if change.min() <= -1 and change.max() <= 0:
        return [
            f"It is getting cleaner: the six valid samples before these stood at {format_code(old.tolist())}."
        ]
    return []


def _borderline(data: AssetReport, last: NDArray[np.intp], target: tuple[int, int, int]) -> list[str]:
    """A line when the counts are so near the target's limit that chance alone could be on the other side."""
    counts = data.samples.counts[last, :3].sum(axis=0, dtype=np.int64)
    volume_ml = data.samples.volume_ml[last].sum(keepdims=True)
    high = limits_per_ml(counts[None, :], volume_ml, data.limits).high_per_ml[0]
    near = [SIZES[i] for i in range(3) if high[i] > UPPER_PER_ML[target[i]]]
    if not near:
        return []
    return [f"At {' and '.join(near)} it is so near the limit that counting alone leaves it open (95 %)."]
