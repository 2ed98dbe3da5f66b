"""A standing in words: each reason in a line, each state, and the sentence that comes first everywhere."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np

from skidwright.formulas.iso4406 import format_code
from skidwright.samples.cold_water import FULL_PERCENT, saturation
from skidwright.standing.goals import (
    FREE_WATER,
    MET,
    NO_GOAL,
    NO_VALID,
    NOT_MEASURED,
    NOT_MET,
    OPEN,
    Quantity,
    Reason,
)
from skidwright.standing.standing import Standing
from skidwright.standing.water import CONSTANTS, NO_TEMPERATURE
from skidwright.wording import date, percent, span

Facts = Mapping[str, Any]
_RISING = (
    "above usual",
    "rose by a step",
    "passes ahead",
    "rises towards limit",
    "rose past limit",
    "rises fast",
)


def reason(one: Reason) -> str:
    """A reason in one line without a full stop."""
    return _REASONS[one.kind](one.facts)


def title(one: Standing) -> str:
    """The sentence that a view says first: how soon, cleanliness, dryness, damage and age."""
    clean, dry = cleanliness(one), dryness(one)
    good = (MET, NO_GOAL)
    clean_state, dry_state = particle_state(one), water_state(one)
    if clean_state in (NO_VALID, NOT_MEASURED) and dry_state in (NO_VALID, NOT_MEASURED):
        text = "nothing can be said yet about this fluid"
    else:
        joined = "and" if (clean_state in good) == (dry_state in good) else "but"
        if {clean_state, dry_state} & {NO_VALID, NOT_MEASURED, NO_GOAL}:
            joined = "–"
        text = f"{clean} {joined} {dry}"
        if joined == "but" and " but " in clean + dry:
            # Nobody can follow a sentence that turns round twice.
            text = f"{clean}; {dry}"
    if one.hidden:
        text += "; the newest records are damaged or lost"
    for found in one.reasons:
        if found.kind == "old":
            text += f"; by samples that are {span(found.facts['age_days'])} old"
    return f"{one.word[0].upper()}{one.word[1:]}: {text}"


def particle_state(one: Standing) -> str:
    """The state of cleanliness: that of the worst size of those for which a number is asked."""
    states = [size.state for size in one.particles if size.state != NO_GOAL]
    return next((s for s in (NO_VALID, NOT_MEASURED, NOT_MET, OPEN, MET) if s in states), NO_GOAL)


def water_state(one: Standing) -> str:
    """The state of dryness: that of the worst of the three quantities."""
    states = [each.state for each in one.water]
    worst = next((s for s in (NO_VALID, NOT_MEASURED, NOT_MET, OPEN) if s in states), "")
    return worst or (NO_GOAL if one.water[0].state == NO_GOAL else MET)


def cleanliness(one: Standing) -> str:
    """Cleanliness as part of a sentence."""
    state = particle_state(one)
    if state in (NO_VALID, NOT_MEASURED):
        return "cleanliness unknown" if state == NO_VALID else "cleanliness not measured"
    if state == NO_GOAL:
        return f"cleanliness {format_code(one.code)}, no target set"
    if state == NOT_MET:
        above = next(found.facts["above"] for found in one.reasons if found.kind == "dirtier than target")
        return "slightly dirtier than its target" if above == 1 else "dirtier than its target"
    if state == OPEN:
        return "not proven clean enough"
    return "clean enough, though getting dirtier" if _rising(one, one.particles) else "clean enough"


def dryness(one: Standing) -> str:
    """Dryness as part of a sentence."""
    read, cold, free = one.water
    if read.state == NOT_MEASURED:
        return "water not measured"
    if read.state == NO_VALID:
        return "dryness unknown"
    if read.state == NOT_MET:
        return "wetter than its limit"
    if free.state == NOT_MET:
        return (
            "free water when cold"
            if read.state == NO_GOAL
            else "dry enough while warm, but free water when cold"
        )
    if read.state == OPEN:
        return "not proven dry enough"
    if cold.state == NOT_MET:
        return "dry enough while warm, but wetter than its limit when cold"
    if OPEN in (cold.state, free.state):
        return "dry enough while warm, but that is not proven when cold"
    if read.state == NO_GOAL:
        return f"water at {read.value:.1f} %, no limit set"
    return "dry enough, though getting wetter" if _rising(one, one.water) else "dry enough"


def verdict(one: Quantity) -> str:
    """A quantity's state in a line: value, limit, state and chance."""
    value = amount(one)
    if one.state in (NO_VALID, NOT_MEASURED):
        return f"{one.name}: {one.state}"
    asked = "" if np.isnan(one.limit) else f", {goal(one)}"
    place = f" at {one.at_c:g} degC" if np.isfinite(one.at_c) else ""
    facts = [] if np.isnan(one.least) or one.state == NO_GOAL else [f"chance {percent(one.least)}"]
    facts += [one.cause] if one.cause else []
    why = f" ({'; '.join(facts)})" if facts else ""
    return f"{one.name}: {value}{place}{asked}: {one.state}{why}"


def goal(one: Quantity) -> str:
    """What is asked of a quantity."""
    if np.isnan(one.limit):
        return "none asked"
    if one.asked is not None:
        return f"at most {one.limit:,.7g} (scale number {one.asked})"
    return f"at most {one.limit:g} %"


def amount(one: Quantity) -> str:
    """The value of a quantity with its unit."""
    if np.isnan(one.value):
        return "unknown"
    if one.number is not None:
        return f"{one.value:,.4g} per mL"
    return saturation(one.value, one.value_high, 1)


def _rising(one: Standing, about: tuple[Quantity, ...]) -> bool:
    names = {each.name for each in about}
    return any(found.kind in _RISING and names & set(found.about) for found in one.reasons)


def _dirtier(facts: Facts) -> str:
    above = facts["above"]
    numbers = f"{above} scale number{'s' if above > 1 else ''}"
    return f"dirtier than target: {facts['worst']} {numbers} above it"


def _target_open(facts: Facts) -> str:
    word = "likely above" if facts["likely"] else "near"
    return (
        f"{word} its target at {facts['worst']}, and these samples leave open on which side "
        f"({percent(facts['least'])} sure that it is met)"
    )


def _span(facts: Facts) -> str:
    low, high = facts["percent"]
    return saturation(low, high, 1)


def _free(facts: Facts) -> str:
    at = facts["at_c"]
    place = "" if np.isnan(at) else f" at {at:.0f} degC"
    return f"free water when cold: the fluid cannot hold this water{place}"


def _free_open(facts: Facts) -> str:
    if facts["cause"] == NO_TEMPERATURE:
        return "free water when cold cannot be excluded: the temperature of the readings is not known"
    return f"may hold free water when cold: {_span(facts)} at {facts['at_c']:.0f} degC"


def _cold(facts: Facts) -> str:
    return (
        f"wetter than its limit when cold: {_span(facts)} at {facts['at_c']:g} degC, "
        f"limit {facts['limit']:g} %"
    )


def _cold_open(facts: Facts) -> str:
    if facts["cause"] == NO_TEMPERATURE:
        return "how wet it is when cold cannot be told: the temperature of the readings is not known"
    why = "published constants do not agree" if facts["cause"] == CONSTANTS else "the reading leaves it open"
    return (
        f"may be wetter than its limit when cold: {_span(facts)} at {facts['at_c']:g} "
        f"degC, limit {facts['limit']:g} %; {why}"
    )


def _above_usual(facts: Facts) -> str:
    names = ", ".join(name.removesuffix(" um(c)") for name in facts["names"])
    unit = " um(c)" if "um" in facts["names"][0] else ""
    return (
        f"above what is usual for it since {date(facts['since_days'])}: {names}{unit}, by up to "
        f"{facts['away']:.1f} {facts['unit']}"
    )


def _stepped(facts: Facts) -> str:
    told = []
    for day, steps in sorted(facts["steps"].items()):
        names = ", ".join(f"{name.removesuffix(' um(c)')} {step:+.1f}" for name, step in steps)
        told.append(f"{date(day)}: {names}")
    return f"rose by a step on {'; '.join(told)} {facts['unit']}"


def _passes(facts: Facts) -> str:
    end = "later" if not np.isfinite(facts["latest_days"]) else date(facts["latest_days"])
    first = date(facts["earliest_days"])
    return f"{facts['name']} rising: passes its {facts['what']} between {first} and {end}"


def _rise(facts: Facts) -> str:
    """From what to what in which time."""
    if "um" in facts["name"]:
        base, level = 2 ** facts["base"], 2 ** facts["level"]
        return f"{facts['name']} from {base:,.3g} to {level:,.3g} per mL in {span(facts['lasted_days'])}"
    base, level = facts["base"], facts["level"]
    water = (
        saturation(base, level, 1) if level < FULL_PERCENT else f"{base:.1f} % of saturation to free water"
    )
    name = "water at the coldest" if facts["name"] == FREE_WATER else facts["name"]
    return f"{name} from {water} in {span(facts['lasted_days'])}"


def _limit(facts: Facts) -> str:
    return "what the fluid can hold when cold" if facts["name"] == FREE_WATER else "its limit"


def _near(facts: Facts) -> str:
    share = 100 * facts["value"] / facts["limit"]
    return f"near its limit: {facts['name']} is at {share:.0f} % of what is allowed"


def _ends(facts: Facts) -> str:
    left = facts["left_days"]
    when = "today" if left == 0 else "in 1 day" if left == 1 else f"in {left} days"
    return f"the {facts['what']}'s calibration runs out {when}, on {facts['due']}"


_REASONS: dict[str, Callable[[Facts], str]] = {
    "never sampled": lambda _: "never sampled: no sample of it in this archive",
    "no valid count": lambda f: f"no valid count in {f['samples']:,} samples",
    "counts not measured": lambda _: "particles are not measured, though a target is set",
    "no target": lambda _: "no target set: nothing to judge its cleanliness by",
    "dirtier than target": _dirtier,
    "target open": _target_open,
    "no valid count lately": lambda f: f"no valid count in the newest {f['samples']:,} samples",
    "no valid water": lambda _: "water is measured, but no reading is valid",
    "wetter than limit": lambda f: (
        f"wetter than its limit: {saturation(f['percent'], f['percent'], 1)}, limit {f['limit']:g} %"
    ),
    "water open": lambda f: (
        f"near its water limit, and the reading leaves open on which side: "
        f"{saturation(f['percent'], f['percent'], 1)}, limit {f['limit']:g} % "
        f"({percent(f['chance'])} sure that it is met)"
    ),
    "free water": _free,
    "free water open": _free_open,
    "wetter when cold": _cold,
    "wetter when cold open": _cold_open,
    "no water limit": lambda _: "no water limit set: nothing to judge its dryness by",
    "unread": lambda f: f"{f['lines'][-1]}: any may be a newer sample of this machine",
    "old": lambda f: (
        f"the newest valid {f['what']} are {span(f['age_days'])} old, more than {span(f['oldest_days'])}"
    ),
    "above usual": _above_usual,
    "rose by a step": _stepped,
    "passes ahead": _passes,
    "rose past limit": lambda f: f"rose past {_limit(f)} and rises on: {_rise(f)}",
    "rises towards limit": lambda f: f"rises towards {_limit(f)}: {_rise(f)}; going on so it passes it",
    "rises fast": lambda f: f"rises fast: {_rise(f)}",
    "near limit": _near,
    "no time": lambda _: "no sample has a known time: connect the board to a host once in a while",
    "overdue": lambda f: (
        f"sampling overdue: newest sample {span(f['age_days'])} old, due every {span(f['due_days'])}"
    ),
    "silent": lambda f: f"no sample for {span(f['age_days'])}, usually every {span(f['usual_days'])}",
    "calibration over": lambda f: f"the {f['what']}'s calibration ran out on {f['due']}",
    "calibration ends": _ends,
}
