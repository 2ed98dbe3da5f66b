"""What `skidwright code` answers: a plain dictionary for programs, and lines for people."""

from fractions import Fraction
from typing import Any, NamedTuple

import numpy as np

from skidwright.trade import as4059, coincidence, counting, iso4406, nas1638

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
        classes = nas1638.classify(true)
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
