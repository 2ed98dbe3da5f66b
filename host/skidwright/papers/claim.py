"""Whether the newest samples support a paper: k valid ones in a row, proven to be at or below the target.

Two rules, both named on the paper, both decided by `skidwright.standing`. Each sample by itself must be at or
below the target, by its scale numbers as counted, and its water within the limit at the coldest temperature
the machine sees. And what is asked must be proven of the fluid of all of them, on the terms of `skidwright
receive`, with the confidence that is asked for. Samples that are too old prove nothing of the machine as it
is.

A sample among or after them that is valid for counts or for water alone does not count, but it speaks against
the paper where it is over. Where records at or after the oldest sample cannot be read, nobody knows whether
these are the newest.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from skidwright.errors import PaperError
from skidwright.formulas.iso4406 import format_code
from skidwright.judgement.scatter import Scatter, between_samples
from skidwright.samples import cold_water, unreadable
from skidwright.samples.assessment import Assessment
from skidwright.samples.counted import limits_per_ml
from skidwright.samples.history import VALID, History
from skidwright.standing import particles, water, words
from skidwright.standing.goals import MET, NO_GOAL, NOT_MET, OPEN, Goals, Quantity
from skidwright.standing.urgency import is_old
from skidwright.wording import moment, span

Target = tuple[int, int, int]


@dataclass(frozen=True)
class Water:
    """The wettest of a paper's samples where it is judged, in percent of saturation, and in words.

    `low_percent` and `high_percent` differ where the published constants do; `least` is the chance that it is
    within the limit.
    """

    low_percent: float
    high_percent: float
    at_c: float
    least: float
    state: str
    words: str


@dataclass(frozen=True)
class Claim:
    """The samples (row numbers of the history) that a paper rests on, and what may be said of them.

    `quantities` are all seven on the terms of the paper (`goals`), with the samples' own `scatter`.
    `confidences` are those with which each channel is at or below the target, >=21 um(c) as a fourth one
    where it has a target; all of them are with the lowest, `confidence`. They are of all samples together, or
    of the least sure one where these are not of `one_fluid`. `excluded` samples between and after them were
    not valid. `water` is None where no limit is asked. `unread` says which records cannot be read that may be
    newer than the oldest sample: the last of the refusals then.
    """

    rows: NDArray[np.intp]
    goals: Goals
    target: Target
    quantities: tuple[Quantity, ...]
    scatter: Scatter
    confidences: tuple[float, ...]
    excluded: int
    refusals: tuple[str, ...]
    water: Water | None = None
    one_fluid: bool = True
    unread: tuple[str, ...] = ()

    @property
    def confidence(self) -> float:
        """The confidence with which every channel is at or below the target."""
        return min(self.confidences)

    @property
    def target_21um(self) -> int | None:
        """The worst accepted scale number of >=21 um(c)."""
        return self.goals.numbers[3]


def claim(history: History, goals: Goals, now: np.datetime64, logs: Sequence[Assessment] = ()) -> Claim:
    """The newest `goals.samples` that are valid, counts and, with a limit, water. PaperError for too few.

    `goals` are the terms of the paper; `logs` are all of the archive: damage in them may hide newer samples.
    Raises OSError when one cannot be read.
    """
    limit = goals.water_limit_percent
    valid = history.counts_verdict == VALID
    if limit is not None:
        valid &= history.water_verdict == VALID
    rows = np.flatnonzero(valid)[-goals.samples :]
    if len(rows) < goals.samples:
        kind = "counts and water" if limit is not None else "counts"
        raise PaperError(
            f"{len(rows)} samples with valid {kind}, {goals.samples} are needed",
            f"asset {history.asset}",
            "take more samples; `skidwright check` says why the others are not valid",
        )
    among = np.arange(rows[0], len(history))
    scatter = scatter_by_then(history, rows)
    sizes = particles.of_rows(history, rows, goals, now, scatter)
    readings = rows[history.water_verdict[rows] == VALID]
    wet = water.of_rows(history, readings, goals, now, scatter) if len(readings) else ()
    refusals = [text for texts in over_target(history, among, goals).values() for text in texts]
    asked = [one for one in sizes if one.state != NO_GOAL]
    worst = min(asked, key=lambda one: one.least)
    if worst.state != MET and not refusals:
        refusals.append(
            f"{worst.name} is at or below its target with {percent(worst.least)} confidence only, "
            f"{100 * goals.confidence:g} % are asked for: take more samples, or clean on"
        )
    if limit is not None:
        refusals += _water_refusals(history, among, wet, goals)
    if is_old(sizes[0], goals):
        refusals.append(
            f"the newest sample is {span(sizes[0].age_days)} old, more than {span(goals.oldest_days)}: take "
            "new ones"
        )
    hidden = unreadable.listed(unreadable.since(history, int(rows[0]), logs))
    places = [place for place, number in enumerate(goals.numbers) if number is not None]
    part = particles.scatter_of(scatter, np.array(places, np.intp))
    one_fluid = particles.one_fluid(history.counted(rows).of(slice(None), np.array(places, np.intp)), part)
    target = tuple(number for number in goals.numbers[:3] if number is not None)
    return Claim(
        rows, goals, (target[0], target[1], target[2]), (*sizes, *wet), scatter,
        tuple(one.least for one in asked), int(len(history) - rows[0] - len(rows)), (*refusals, *hidden),
        None if limit is None else _worded(wet, goals), one_fluid, tuple(hidden),
    )  # fmt: skip


def scatter_by_then(history: History, rows: NDArray[np.intp]) -> Scatter:
    """How samples scatter by the newest of `rows`: what came later makes no other paper."""
    when = history.when[rows]
    known = when[~np.isnat(when)]
    return between_samples(history.until(known.max()) if len(known) else history)


def reached(
    history: History, rows: NDArray[np.intp], goals: Goals, scatter: Scatter | None
) -> tuple[float, ...]:
    """The confidence with which the fluid of these samples is at or below each target, by `claim`'s rule."""
    places = np.array([place for place, number in enumerate(goals.numbers) if number is not None], np.intp)
    found = particles.chance_at_or_below(
        history.counted(rows).of(slice(None), places), goals.limits_per_ml[places], goals,
        particles.scatter_of(scatter, places),
    )  # fmt: skip
    return tuple(found.least.tolist())


def over_target(history: History, rows: NDArray[np.intp], goals: Goals) -> dict[int, list[str]]:
    """Which of some rows have valid counts over a target, with a line for each way in which they are."""
    above = particles.above(history, rows, goals)
    found: dict[int, list[str]] = {}
    for place in np.flatnonzero(above.any(axis=1)).tolist():
        row, lines = int(rows[place]), []
        if above[place, :3].any():
            code = history.code[row, :3].tolist()
            target = format_code(n for n in goals.numbers[:3] if n is not None)
            lines.append(f"{_name(history, row)} is {format_code(code)}, the target {target}")
        if above[place, 3]:
            at_21um = f"{history.code[row, 3]} at >=21 um(c)"
            lines.append(f"{_name(history, row)} is {at_21um}, the target {goals.numbers[3]}")
        found[row] = lines
    return found


def over_water(history: History, rows: NDArray[np.intp], goals: Goals) -> dict[int, str]:
    """Which of some rows have valid water that is over the limit where it is judged, with a line each."""
    found = {}
    for row in rows[water.above(history, rows, goals)].tolist():
        one = worst_water(history, np.array([row]), goals)
        found[row] = (
            f"{_name(history, row)} has water, {one.words}; the limit is {goals.water_limit_percent:g} %"
        )
    return found


def percent(confidence: float) -> str:
    """A confidence for a paper, never rounded up: "97.3 %", "over 99.9 %", "under 0.1 %"."""
    if confidence > 0.999:
        return "over 99.9 %"
    return "under 0.1 %" if confidence < 0.001 else f"{int(confidence * 1000) / 10:.1f} %"


def worst_water(
    history: History, rows: NDArray[np.intp], goals: Goals, scatter: Scatter | None = None
) -> Water:
    """The wettest of some samples, where it is judged."""
    now = history.when[rows].max()
    return _worded(water.of_rows(history, rows, replace(goals, each=True), now, scatter), goals)


def _worded(wet: Sequence[Quantity], goals: Goals) -> Water:
    read, cold, _ = wet
    one = read if cold.state == NO_GOAL else cold
    place = cold_water.where(read.at_c, one.at_c, goals.coldest_c)
    return Water(one.value, one.value_high, one.at_c, one.least, one.state, f"{words.amount(one)} {place}")


def _water_refusals(
    history: History, among: NDArray[np.intp], wet: Sequence[Quantity], goals: Goals
) -> list[str]:
    """What the water of the samples says against a paper: each that is over, or that it is not proven."""
    refusals = list(over_water(history, among, goals).values())
    one = _worded(wet, goals)
    limit = f"the limit is {goals.water_limit_percent:g} %"
    if refusals or one.state == MET:
        return refusals
    if one.state == NOT_MET:
        return [f"the wettest of the samples has water, {one.words}; {limit}"]
    cause = next((each.cause for each in wet if each.state == OPEN and each.cause), "")
    why = f"that is proven with {percent(one.least)} confidence only: calibrate the loop, or dry it on"
    if cause == water.NO_TEMPERATURE:
        why = f"so nobody knows what it comes to at {goals.coldest_c:g} degC, the coldest it gets"
    elif cause == water.CONSTANTS:
        why = "the published constants do not agree, so give the fluid's own (water_a, water_b)"
    return [f"the wettest of the samples has water, {one.words}, {limit}, and {why}"]


def _name(history: History, row: int) -> str:
    return f"record {history.seq[row]} of {moment(history.when[row])}"


def sample_lines(history: History, rows: NDArray[np.intp]) -> list[dict[str, object]]:
    """The samples as plain values, as a paper shows and keeps them."""
    low, high = limits_per_ml(history.counted(rows))
    lines: list[dict[str, object]] = []
    for k, row in enumerate(rows.tolist()):
        water, fluid = float(history.water_percent[row]), float(history.temperature_c[row])
        lines.append({
            "record": int(history.seq[row]),
            "utc": moment(history.when[row]),
            "iso4406": format_code(history.code[row, :3].tolist()),
            "per_ml": [_rounded(x) for x in history.per_ml[row].tolist()],
            "limits_per_ml": [[_rounded(a), _rounded(b)] for a, b in zip(low[k], high[k], strict=True)],
            "volume_ml": round(float(history.volume_ml[row]), 3),
            "water_percent": None if np.isnan(water) else round(water, 1),
            "temperature_c": None if np.isnan(fluid) else round(fluid, 1),
        })  # fmt: skip
    return lines


def _rounded(value: float) -> float:
    """Four digits: more than the counts carry, and the same text everywhere."""
    return float(f"{value:.4g}")
