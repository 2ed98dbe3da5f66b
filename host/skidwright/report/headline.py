"""The first lines of a report: is the fluid clean and dry enough, what to do, and how sure that is.

Everything said here is decided from valid samples only, by rules a reader can follow:
the median of the newest three valid samples is compared with the asset's target. Where records
that may be newer cannot be read, that stands first, and good is not said.
"""

from dataclasses import dataclass, field

import numpy as np

from skidwright.report import excursions
from skidwright.report.cleanliness import NO_COUNTS, cleanliness
from skidwright.report.dryness import NO_WATER, NOT_MEASURED, dryness
from skidwright.report.model import VALID, AssetReport
from skidwright.report.part import BAD, CLOSE, GOOD, UNKNOWN, Part, iso_time
from skidwright.report.sureness import sureness
from skidwright.samples.unread import REMEDY as UNREAD_REMEDY
from skidwright.trade.code_text import format_code

__all__ = ["BAD", "CLOSE", "GOOD", "UNKNOWN", "Headline", "iso_time", "judge"]


@dataclass
class Headline:
    """What the page says first. `grade` is GOOD, CLOSE, BAD or UNKNOWN; `by_water`: for its water alone."""

    grade: str
    title: str
    findings: list[str] = field(default_factory=list)
    actions: list[str] = field(default_factory=list)
    sureness: str = ""
    sureness_reasons: list[str] = field(default_factory=list)
    latest_code: str = ""
    latest_when: str = ""
    latest_water: str = ""
    by_water: bool = False


def judge(data: AssetReport) -> Headline:
    """The headline of an asset."""
    samples = data.samples
    clean = cleanliness(data)
    dry = dryness(data)
    grade = _worse(clean.grade, dry.grade)
    actions = clean.actions + dry.actions
    if grade == GOOD:
        actions = ["Nothing out of turn: carry on sampling and change filters as the machine's maker says."]
    elif grade == CLOSE and not actions:
        actions = ["Keep sampling and watch the direction."]
    findings = clean.findings + dry.findings + _gone_by(data)
    headline = Headline(grade, _title(clean, dry), findings, actions)
    headline.by_water = dry.grade in (CLOSE, BAD) and clean.grade != grade
    _say_unread(headline, data.integrity.unread)
    headline.sureness, headline.sureness_reasons = sureness(data)
    believed = np.flatnonzero(samples.counts_verdict == VALID)
    if len(believed):
        headline.latest_code = format_code(samples.code[believed[-1], :3].tolist())
        headline.latest_when = iso_time(samples.when[believed[-1]])
    wet = np.flatnonzero(samples.water_verdict == VALID)
    if len(wet):
        headline.latest_water = f"{samples.water_percent[wet[-1]]:.1f} %"
    return headline


def _say_unread(headline: Headline, unread: tuple[str, ...]) -> None:
    """Put in front that records which may be the newest ones cannot be read."""
    if not unread:
        return
    if headline.grade == GOOD:
        headline.grade, headline.actions = CLOSE, []
    headline.title += "; the newest records are damaged or lost"
    headline.findings[:0] = [
        f"{line[0].upper()}{line[1:]}: any may be a sample of this machine." for line in unread
    ]
    headline.actions.insert(0, f"{UNREAD_REMEDY[0].upper()}{UNREAD_REMEDY[1:]}.")


def _gone_by(data: AssetReport) -> list[str]:
    """The newest stretch of dirt and of water that has ended: good now is not the whole story."""
    lines = []
    for what in excursions.KINDS:
        ended = [h for h in data.happenings if h.what == what and excursions.LASTING not in h.detail]
        if ended:
            newest = max(ended, key=lambda h: h.when)
            lines.append(f"It was {what} from {newest.when_text}: {newest.detail}.")
    return lines


def _worse(one: str, other: str) -> str:
    order = (GOOD, CLOSE, UNKNOWN, BAD)
    return max(one, other, key=order.index)


def _title(clean: Part, dry: Part) -> str:
    if clean.words == NO_COUNTS and dry.words in (NO_WATER, NOT_MEASURED):
        return "Nothing can be said yet about this fluid"
    joined = "and" if (clean.grade in (GOOD, CLOSE)) == (dry.grade in (GOOD, CLOSE)) else "but"
    if UNKNOWN in (clean.grade, dry.grade):
        joined = "–"
    text = f"{clean.words} {joined} {dry.words}"
    if joined == "but" and " but " in clean.words + dry.words:
        # Nobody can follow a sentence that turns round twice.
        text = f"{clean.words}; {dry.words}"
    return text[0].upper() + text[1:]
