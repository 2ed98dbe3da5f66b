"""The first lines of a report: is the fluid clean and dry enough, what to do, and how sure that is.

Everything said here is decided from valid samples only, by rules a reader can follow:
the median of the newest three valid samples is compared with the asset's target.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skidwright.config import format_code
from skidwright.report.model import ABSENT, VALID, AssetReport
from skidwright.report.sureness import sureness
from skidwright.trade.counting import interval
from skidwright.trade.iso4406 import UPPER_PER_ML

JUDGED = 3
GOOD, CLOSE, BAD, UNKNOWN = "good", "close", "bad", "unknown"
NO_COUNTS, NO_WATER, NOT_MEASURED = "cleanliness unknown", "dryness unknown", "water not measured"
SIZES = ("≥ 4 µm(c)", "≥ 6 µm(c)", "≥ 14 µm(c)")


@dataclass
class Headline:
    """What the page says first. `grade` is GOOD, CLOSE, BAD or UNKNOWN."""

    grade: str
    title: str
    findings: list[str] = field(default_factory=list)
    actions: list[str] = field(default_factory=list)
    sureness: str = ""
    sureness_reasons: list[str] = field(default_factory=list)
    latest_code: str = ""
    latest_when: str = ""
    latest_water: str = ""


@dataclass
class _Part:
    grade: str
    words: str
    findings: list[str] = field(default_factory=list)
    actions: list[str] = field(default_factory=list)


def iso_time(when: np.datetime64) -> str:
    """ISO 8601 in UTC, to the second."""
    return "time unknown" if np.isnat(when) else f"{when.astype('datetime64[s]')}Z"


def judge(data: AssetReport) -> Headline:
    """The headline of an asset."""
    samples = data.samples
    clean = _cleanliness(data)
    dry = _dryness(data)
    grade = _worse(clean.grade, dry.grade)
    actions = clean.actions + dry.actions
    if grade == GOOD:
        actions = ["Nothing out of turn: carry on sampling and change filters as the machine's maker says."]
    elif grade == CLOSE and not actions:
        actions = ["Keep sampling and watch the direction."]
    headline = Headline(grade, _title(clean, dry), clean.findings + dry.findings, actions)
    headline.sureness, headline.sureness_reasons = sureness(data)
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if len(believed):
        headline.latest_code = format_code(samples.code[believed[-1], :3].tolist())
        headline.latest_when = iso_time(samples.when[believed[-1]])
    wet = np.flatnonzero(samples.water_verdict == VALID)
    if len(wet):
        headline.latest_water = f"{samples.water_percent[wet[-1]]:.0f} %"
    return headline


def _worse(one: str, other: str) -> str:
    order = (GOOD, CLOSE, UNKNOWN, BAD)
    return max(one, other, key=order.index)


def _title(clean: _Part, dry: _Part) -> str:
    if clean.words == NO_COUNTS and dry.words in (NO_WATER, NOT_MEASURED):
        return "Nothing can be said yet about this fluid"
    joined = "and" if (clean.grade in (GOOD, CLOSE)) == (dry.grade in (GOOD, CLOSE)) else "but"
    if UNKNOWN in (clean.grade, dry.grade):
        joined = "–"
    text = f"{clean.words} {joined} {dry.words}"
    return text[0].upper() + text[1:]


def _cleanliness(data: AssetReport) -> _Part:
    samples, target = data.samples, data.asset.target
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if not len(believed):
        return _Part(
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
        return _Part(
            UNKNOWN, f"cleanliness {shown}, no target set", findings + trend, ["Set a target for this asset."]
        )
    over = code.astype(int) - np.array(target)
    findings[0] = findings[0][:-1] + f" against a target of {format_code(target)}."
    if over.max() <= 0:
        borderline = _borderline(data, last, target)
        findings += borderline + trend
        rising = any("rising" in line for line in trend)
        if rising:
            return _Part(
                CLOSE, "clean enough, though getting dirtier", findings, _dirt_actions(rising_only=True)
            )
        return _Part(CLOSE if over.max() == 0 and borderline else GOOD, "clean enough", findings)
    worst = int(np.argmax(over))
    step = int(over[worst])
    times = float(np.median(samples.per_ml[last, worst]) / UPPER_PER_ML[target[worst]])
    findings.append(
        f"Worst at {SIZES[worst]}: {step} scale number{'s' if step > 1 else ''} above target, with "
        f"{times:.1f} times as many particles as the target allows."
    )
    words = "slightly dirtier than its target" if step == 1 else "dirtier than its target"
    return _Part(BAD, words, findings + trend, _dirt_actions(coarse=worst == 2))


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
    high = interval(counts, float(data.samples.volume_ml[last].sum())).high_per_ml
    near = [SIZES[i] for i in range(3) if high[i] > UPPER_PER_ML[target[i]]]
    if not near:
        return []
    return [f"At {' and '.join(near)} it is so near the limit that counting alone leaves it open (95 %)."]


def _dryness(data: AssetReport) -> _Part:
    samples, limit = data.samples, data.asset.water_limit_percent
    if not len(samples) or (samples.water_verdict == ABSENT).all():
        return _Part(UNKNOWN, NOT_MEASURED, ["Water was not measured."])
    believed = np.flatnonzero(samples.water_verdict == VALID)
    if not len(believed):
        return _Part(
            UNKNOWN,
            NO_WATER,
            ["No water reading could be believed; the reasons are in the table of excluded samples below."],
            ["Check the water sensor's loop, then sample again."],
        )
    last = believed[-JUDGED:]
    water = float(np.median(samples.water_percent[last]))
    warm = (
        np.nanmedian(samples.temperature_c[last])
        if np.isfinite(samples.temperature_c[last]).any()
        else np.nan
    )
    at = f" at {warm:.0f} °C" if np.isfinite(warm) else ""
    text = f"Water: {water:.0f} % of saturation{at} (median of the newest {len(last)} valid readings"
    findings = [f"{text})." if limit is None else f"{text}) against a limit of {limit:g} %."]
    if limit is None:
        return _Part(
            UNKNOWN, f"water at {water:.0f} %, no limit set", findings, ["Set a water limit for this asset."]
        )
    wet_actions = [
        "Look where water gets in: cooler, breather, seals, wash-down, condensation when standing.",
        "Drain free water at the lowest point and dry the fluid (vacuum, absorbing cartridge or warm "
        "running).",
    ]
    if water > limit:
        return _Part(BAD, "wetter than its limit", findings, wet_actions)
    history = samples.water_percent[believed]
    if water > 0.8 * limit:
        findings.append("That is more than four fifths of the limit.")
        return _Part(CLOSE, "dry enough, though close to its limit", findings, wet_actions[:1])
    if len(history) >= 12 and water - float(np.median(history[: len(history) // 4])) > 0.2 * limit:
        findings.append("It has risen by more than a fifth of the limit since the log began.")
        return _Part(CLOSE, "dry enough, though getting wetter", findings, wet_actions[:1])
    return _Part(GOOD, "dry enough", findings)
