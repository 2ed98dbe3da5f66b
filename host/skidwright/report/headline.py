"""The report's first words, and the stretches beyond target or limit that they rest on."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skidwright.formulas.iso4406 import format_code
from skidwright.formulas.water import PUBLISHED, free_water_below_c
from skidwright.register.model import AssetRecord
from skidwright.report.happenings import Occurrence, iso
from skidwright.report.model import AssetReport
from skidwright.samples.history import VALID, History
from skidwright.samples.unreadable import REMEDY as UNREAD_REMEDY
from skidwright.standing import particles, water, words
from skidwright.standing.goals import (
    ACT,
    CHANNELS,
    FINE,
    NO_GOAL,
    NO_VALID,
    NOT_MEASURED,
    WATERS,
    WORDS,
    Goals,
    Reason,
)
from skidwright.standing.standing import Standing
from skidwright.wording import moment

# So many valid samples within limits end a stretch: one sample on the border does not.
_CALM = 2
SHOWN = 20
KINDS = ("dirtier than target", "wetter than limit")
LASTING = "still so at the end"


def of(samples: History, asset: AssetRecord, goals: Goals) -> list[Occurrence]:
    """The newest stretches beyond the asset's target and water limit, oldest first."""
    found: list[Occurrence] = []
    if goals.has_target:
        rows = np.flatnonzero(samples.counts_verdict == VALID)
        over = np.asarray(particles.above(samples, rows, goals).any(axis=1))
        for first, last, end in _stretches(over):
            worst = format_code(samples.code[rows[first : last + 1], :3].max(axis=0).tolist())
            span = _span(samples, rows, first, last, end)
            target = f" (target {format_code(asset.target)})" if asset.target else ""
            found.append(
                Occurrence(_ms(samples, rows[first]), KINDS[0], f"{span}, worst {worst}{target}", True)
            )
    if goals.water_limit_percent is not None:
        rows = np.flatnonzero(samples.water_verdict == VALID)
        for first, last, end in _stretches(water.above_as_read(samples, rows, goals)):
            worst_percent = float(samples.water_percent[rows[first : last + 1]].max())
            detail = (
                f"{_span(samples, rows, first, last, end)}, worst {worst_percent:.1f} % "
                f"(limit {goals.water_limit_percent:g} %)"
            )
            found.append(Occurrence(_ms(samples, rows[first]), KINDS[1], detail, True))
    found.sort()
    return found[-SHOWN:]


def _ms(samples: History, row: int) -> int:
    return int(samples.when[row].astype("datetime64[ms]").astype(np.int64))


def _stretches(over: NDArray[np.bool_]) -> list[tuple[int, int, int | None]]:
    """(first over, last over, first calm sample after it or None while it lasts), places in `over`."""
    places = np.flatnonzero(over)
    if not len(places):
        return []
    breaks = np.flatnonzero(np.diff(places) > _CALM)
    firsts = places[np.r_[0, breaks + 1]].tolist()
    lasts = places[np.r_[breaks, len(places) - 1]].tolist()
    return [
        (first, last, last + 1 if last + _CALM < len(over) else None)
        for first, last in zip(firsts, lasts, strict=True)
    ]


def _span(samples: History, rows: NDArray[np.intp], first: int, last: int, end: int | None) -> str:
    count = last - first + 1
    times = f"{count} valid sample{'s' if count > 1 else ''}"
    if end is None:
        return f"{times}, {LASTING}"
    return f"{times}, until {iso(_ms(samples, rows[end]))}"


# How the first box of the page looks.
LOOKS = {ACT: "bad", FINE: "good"}
CLOSE, UNKNOWN = "close", "unknown"
_DIRT = (
    "Look where dirt gets in: breather, filler cap, seals, the last top-up or repair.",
    "Check the filter's clogging indicator and by-pass; keep the filter running and sample again "
    "within a day.",
)
_WEAR = (
    "Large particles lead: think of wear. Have a laboratory look at a bottle sample before "
    "loading the machine hard."
)
_WET = (
    "Look where water gets in: cooler, breather, seals, wash-down, condensation when standing.",
    "Drain free water at the lowest point and dry the fluid (vacuum, absorbing cartridge or warm running).",
)
_AGAIN = "Sample again: more particles counted, and a second day, tell on which side of the limit it is."
_CALIBRATE = "Calibrate the water loop (docs/calibration.md), or dry the fluid: either decides it."
_EXCLUDED = "the reasons are in the table of excluded samples below."
_REMOVE = "Remove the causes listed under excluded samples, then sample again."
_NOTHING = "Nothing out of turn: carry on sampling and change filters as the machine's maker says."
_WATCH = "Keep sampling and watch the direction."


@dataclass
class Headline:
    """What the page says first. `look` is how its box is drawn; `by_water`: for its water alone."""

    standing: Standing
    title: str
    look: str
    findings: list[str] = field(default_factory=list)
    actions: list[str] = field(default_factory=list)
    latest_code: str = ""
    latest_when: str = ""
    latest_water: str = ""
    by_water: bool = False


def judge(data: AssetReport) -> Headline:
    """The headline of an asset."""
    samples, one = data.samples, data.standing
    nothing = words.particle_state(one) in (NO_VALID, NOT_MEASURED, NO_GOAL)
    look = UNKNOWN if nothing and one.level != ACT else LOOKS.get(one.level, CLOSE)
    findings = [f"{WORDS[r.level][0].upper()}{WORDS[r.level][1:]}: {words.reason(r)}." for r in one.reasons]
    findings += [*_cleanliness(data), *_dryness(data), *_gone_by(data)]
    headline = Headline(one, words.title(one), look, findings, _actions(one))
    dirt, wet = (max(map(one.level_of, names)) for names in (CHANNELS, WATERS))
    headline.by_water = wet > dirt
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if len(believed):
        headline.latest_code = format_code(samples.code[believed[-1], :3].tolist())
        headline.latest_when = moment(samples.when[believed[-1]])
    wettest = np.flatnonzero(samples.water_verdict == VALID)
    if len(wettest):
        headline.latest_water = f"{samples.water_percent[wettest[-1]]:.1f} %"
    return headline


def _actions(one: Standing) -> list[str]:
    """What to do, by the reasons there are; each only once."""
    found = [line for reason in one.reasons for line in _doing(reason)]
    if not found:
        found = [_NOTHING if one.level == FINE else _WATCH]
    return list(dict.fromkeys(found))


def _doing(reason: Reason) -> tuple[str, ...]:
    about_water = bool(set(reason.about) & set(WATERS))
    if reason.kind == "unread":
        return (f"{UNREAD_REMEDY[0].upper()}{UNREAD_REMEDY[1:]}.",)
    if reason.kind == "dirtier than target":
        return (*_DIRT, _WEAR) if reason.facts["worst"] in CHANNELS[2:] else _DIRT
    if reason.kind in ("wetter than limit", "free water", "wetter when cold"):
        return _WET
    if reason.kind == "target open":
        return (_AGAIN, _DIRT[0]) if reason.facts["likely"] else (_AGAIN,)
    if reason.kind in ("water open", "free water open", "wetter when cold open"):
        return (_CALIBRATE, _WET[0])
    if reason.kind in ("no valid count", "no valid count lately", "no valid water"):
        return (_REMOVE,)
    if reason.kind in ("no target", "no water limit"):
        return (f"Set a {reason.kind.removeprefix('no ')} for this asset.",)
    if reason.kind in ("old", "overdue", "silent", "no time"):
        return ("Take a new sample: what is judged here may have changed since.",)
    if reason.kind.startswith("calibration"):
        return (f"Have the {reason.facts['what']} calibrated.",)
    first = _WET[:1] if about_water else _DIRT[:1]
    return (*first, "Sample again within a day to see whether it keeps rising.")


def _cleanliness(data: AssetReport) -> list[str]:
    sizes = data.standing.particles
    if sizes[0].state == NOT_MEASURED:
        return ["Particles were not measured."]
    if sizes[0].state == NO_VALID:
        return [f"No particle count could be believed; {_EXCLUDED}"]
    many = len(sizes[0].rows)
    how_many = f"median of the newest {many} valid samples" if many > 1 else "the only valid sample"
    text = f"Cleanliness: {format_code(data.standing.code)} ({how_many}, newest {moment(sizes[0].newest)})"
    if not data.asset.target:
        return [f"{text}. No target was set, so this is a number without a judgement."]
    lines = [f"{text} against a target of {format_code(data.asset.target)}."]
    worst = max(sizes, key=lambda size: size.above if size.above is not None else -99)
    if worst.above is not None and worst.above > 0:
        lines.append(
            f"Worst at {worst.name}: {worst.above} scale number{'s' if worst.above > 1 else ''} above "
            f"target, with {worst.value / worst.limit:.1f} times as many particles as the target allows."
        )
    return lines


def _dryness(data: AssetReport) -> list[str]:
    read, cold, _ = data.standing.water
    if read.state == NOT_MEASURED:
        return ["Water was not measured."]
    if read.state == NO_VALID:
        return [f"No water reading could be believed; {_EXCLUDED}"]
    at = f" at {read.at_c:.0f} °C" if np.isfinite(read.at_c) else ""
    text = f"Water: {read.value:.1f} % of saturation{at} (median of the newest {len(read.rows)} valid "
    text += "readings"
    lines = [f"{text})." if read.state == NO_GOAL else f"{text}) against a limit of {read.limit:g} %."]
    if not np.isfinite(read.at_c) or read.value <= 0:
        return lines
    own = data.asset.solubility
    source = (
        f"by this fluid's own constants, A = {own.a:g} and B = {own.b:g}"
        if own
        else "by the constants published for mineral insulating oil; this fluid's own may differ"
    )
    fluids = [own] if own else list(PUBLISHED.values())
    below = sorted(float(free_water_below_c(read.value, read.at_c, fluid)) for fluid in fluids)
    degrees = " to ".join(dict.fromkeys(f"{c:.0f}" for c in below))
    # Said once, before the other figure that rests on the same constants.
    lines.append(f"Free water would begin below {degrees} °C ({source}).")
    coldest_c = data.asset.coldest_c
    if coldest_c is None:
        lines.append("It is judged at that temperature, since nobody said how cold this fluid gets.")
    elif cold.at_c < read.at_c:
        lines.append(
            f"Cooled to {coldest_c:g} °C, the coldest this fluid gets, the same water is "
            f"{words.amount(cold)}."
        )
    return lines


def _gone_by(data: AssetReport) -> list[str]:
    """The newest stretch of dirt and of water that has ended: good now is not the whole story."""
    lines = []
    for what in KINDS:
        ended = [h for h in data.happenings if h.what == what and LASTING not in h.detail]
        if ended:
            newest = max(ended, key=lambda h: h.when)
            lines.append(f"It was {what} from {newest.when_text}: {newest.detail}.")
    return lines
