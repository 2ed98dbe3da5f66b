"""What skidwright code answers: codes, classes, their chances, and how two samples compare."""

from collections.abc import Sequence
from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np

from skidwright.cli.options import rounded
from skidwright.formulas import as4059, coincidence, counting, iso4406
from skidwright.formulas.comparison import compare

SIZES_UM_COMPARED = (4, 6, 14, 21)
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
        for size, mine, theirs in zip(SIZES_UM_COMPARED, counts, other_counts, strict=False)
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


def comparison_lines(found: dict[str, Any]) -> list[str]:
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


SIZES_UM = (4, 6, 14, 21)
LEAST_SHOWN = 0.001


class Question(NamedTuple):
    """The command line of `skidwright code`; `volume_ml` is None when `values` are concentrations per mL."""

    values: tuple[str, ...]
    volume_ml: str | None
    dilution: str
    standard: str
    sensing_volume_ml: float
    confidence: float
    volume_uncertainty: float


def answer(question: Question) -> dict[str, Any]:
    """The answer to one question; ValueError, in one line, for whatever cannot be answered."""
    values = question.values
    many = len(as4059.SIZES_UM) if question.standard != "iso4406" else len(SIZES_UM)
    if not 3 <= len(values) <= many:
        raise ValueError(f"{len(values)} values given: 3 to {many} sizes from 4 um(c) up are needed")
    seen = _seen(question)
    true, losses = _without_coincidence(question, seen)
    notes = _notes(true, losses)
    # what the counter could not count in time is what ISO 4406 writes as *
    marked = tuple(
        iso4406.TOO_MANY if loss is not None and np.isnan(loss) else value
        for value, loss in zip(values, losses, strict=True)
    )
    code = _code(question, marked, true)
    found: dict[str, Any] = {"iso4406_code": code.text}
    if code.extra_21um is not None:
        found["extra_21um"] = code.extra_21um
    if question.standard == "as4059":
        found |= _as4059(true)
    elif question.standard == "nas1638":
        classes = as4059.classify(true)
        found |= {"nas1638": _marked(classes), "by_range": classes.by_size, "missing": classes.missing}
        found["partial"] = classes.partial
        notes.append(
            "NAS 1638 says of itself that it is not for automatic counting, and is inactive since 2001"
        )
    found["per_ml"] = [None if value is None else float(value) for value in true]
    if question.sensing_volume_ml:
        found["coincidence_loss_percent"] = [
            None if loss is None or np.isnan(loss) else round(100 * loss, 3) for loss in losses
        ]
    if question.volume_ml is not None:
        found["confidence"] = _confidence(question, marked)
    found["notes"] = notes
    return found


def lines(found: dict[str, Any], detail: bool) -> list[str]:
    """An answer for people; the code alone on the first line."""
    if "as4059_cumulative" in found:
        said = [
            f"cumulative    {found['as4059_cumulative']}",
            f"differential  {found['as4059_differential']}",
            *_not_counted(found),
        ]
    elif "nas1638" in found:
        said = [found["nas1638"], *_not_counted(found)]
    else:
        said = [found["iso4406_code"]]
        if "extra_21um" in found:
            said.append(f"extra, 21 um(c), no part of the code: {found['extra_21um']}")
    if detail:
        for channel in found.get("confidence", {}).get("channels", []):
            said.append(
                f">={channel['size_um']} um(c)  {_plain(channel['low_per_ml'])} to "
                f"{_plain(channel['high_per_ml'])} per mL "
                f"with {100 * found['confidence']['level']:g} % confidence; "
                f"scale number {channel['scale_numbers'] or 'unknown'}"
            )
    return said


def _seen(question: Question) -> list[Fraction | None]:
    """Concentrations per mL of the undiluted fluid, as counted."""
    if question.volume_ml is not None:
        return iso4406.concentrations(question.values, question.volume_ml, question.dilution)
    found: list[Fraction | None] = []
    for value in question.values:
        if value in (iso4406.TOO_MANY, iso4406.NOT_WANTED):
            found.append(None)
            continue
        found.append(iso4406.exact_fraction(value, "particles per mL"))
        if found[-1] is not None and found[-1] < 0:
            raise ValueError(f"particles per mL: {value} is negative")
    return found


def _without_coincidence(
    question: Question, seen: list[Fraction | None]
) -> tuple[list[Fraction | None], list[float | None]]:
    if not question.sensing_volume_ml:
        return seen, [None] * len(seen)
    times = iso4406.exact_fraction(question.dilution, "dilution")
    true: list[Fraction | None] = []
    losses: list[float | None] = []
    for value in seen:
        if value is None:
            true.append(None)
            losses.append(None)
            continue
        # coincidence happens in what flows through the counter: the mixture
        found = coincidence.correct(float(value / times), question.sensing_volume_ml)
        refused = bool(np.isnan(found.true_per_ml))
        true.append(None if refused else Fraction(float(found.true_per_ml)) * times)
        losses.append(float(found.loss_fraction))
    return true, losses


def _notes(true: list[Fraction | None], losses: list[float | None]) -> list[str]:
    notes = []
    given = [value for value in true if value is not None]
    if any(small < large for small, large in zip(given, given[1:], strict=False)):
        notes.append("more large than small particles: cumulative counts cannot rise with size")
    for size, loss in zip(as4059.SIZES_UM, losses, strict=False):
        if loss is not None and np.isnan(loss):
            notes.append(
                f">={size} um(c): beyond what the counter can show (1/(e v)): dilute and count again"
            )
        elif loss is not None and loss > coincidence.HEAVY_LOSS:
            notes.append(
                f">={size} um(c): {100 * loss:.0f} % lost to coincidence and put back: dilute to be sure"
            )
    return notes


def _code(question: Question, marked: tuple[str, ...], true: list[Fraction | None]) -> iso4406.Code:
    values = [mark if value is None else value for mark, value in zip(marked, true, strict=True)]
    few = [
        question.volume_ml is not None
        and value is not None
        and iso4406.exact_fraction(raw, "count") < iso4406.FEW_PARTICLES
        for raw, value in zip(marked, true, strict=True)
    ]
    return iso4406.code_of(values[: len(SIZES_UM)], few[: len(SIZES_UM)])


def _marked(classes: as4059.Classes) -> str:
    """The class with what it rests on: a size that was not counted may be worse than those that were."""
    return f"{classes.text} (partial)" if classes.partial else classes.text


def _not_counted(found: dict[str, Any]) -> list[str]:
    return [f"partial: not counted are {', '.join(found['missing'])}"] if found["partial"] else []


def _as4059(true: list[Fraction | None]) -> dict[str, Any]:
    codes, classes = as4059.cumulative(true), as4059.differential(true)
    return {
        "as4059_cumulative": _marked(codes),
        "as4059_differential": _marked(classes),
        "by_size": codes.by_size,
        "by_range": classes.by_size,
        "missing": [*codes.missing, *(f"{name} um" for name in classes.missing)],
        "partial": codes.partial or classes.partial,
    }


def _confidence(question: Question, marked: tuple[str, ...]) -> dict[str, Any]:
    volume = float(iso4406.exact_fraction(question.volume_ml or "", "volume in mL"))
    times = float(iso4406.exact_fraction(question.dilution, "dilution"))
    channels = []
    for size, value in zip(as4059.SIZES_UM, marked, strict=False):
        if value in (iso4406.TOO_MANY, iso4406.NOT_WANTED):
            continue
        count = int(iso4406.exact_fraction(value, "count"))
        given = (question.volume_uncertainty, question.sensing_volume_ml, times)
        limits = counting.interval(count, volume, question.confidence, *given)
        row = counting.scale_probabilities(count, volume, *given)
        channels.append(
            {
                "size_um": size,
                "count": count,
                "low_per_ml": _rounded(limits.low_per_ml),
                "high_per_ml": _rounded(limits.high_per_ml),
                "scale_numbers": counting.probability_text(row),
                "probabilities": {
                    iso4406.number_text(n): round(float(p), 4) for n, p in enumerate(row) if p >= LEAST_SHOWN
                },
            }
        )
    return {"level": question.confidence, "channels": channels}


def _plain(number: float | None) -> str:
    return "any number" if number is None else f"{number:g}"


def _rounded(value: Any) -> float | None:
    number = float(value)
    return float(f"{number:.4g}") if np.isfinite(number) else None
