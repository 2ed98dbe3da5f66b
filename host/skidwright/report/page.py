"""The report's page: one HTML file for an asset, with texts as a reader wants them on paper."""

import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from skidboard import VERSION
from skidboard.records import CHANNELS_UM

from skidwright.formulas.iso4406 import format_code
from skidwright.report import headline, pictures
from skidwright.report.model import VALID, AssetReport
from skidwright.report.over_time import over_time, stands
from skidwright.samples.counted import limits_per_ml, number_texts
from skidwright.whole_file import write_whole
from skidwright.wording import moment


class OpenChannel(NamedTuple):
    """One channel in words: its size, particles per mL, 95 % limits, chance of each scale number."""

    size: str
    counted: str
    per_ml: str
    limits: str
    chances: str


def openness(data: AssetReport) -> list[OpenChannel]:
    """A line a channel; none when there is no valid count. The 21 um(c) channel is in no code."""
    samples, last = data.samples, _newest(data)
    if not len(last):
        return []
    counts, counted = samples.counts[last], samples.counted(last)
    low, high = limits_per_ml(counted)
    chances = [*number_texts(counted)[0], "not part of the code"]
    return [
        OpenChannel(
            f"≥ {size} µm(c)",
            f"{counts[0, i]:,}",
            f"{samples.per_ml[last[0], i]:,.4g}",
            f"{low[0, i]:,.4g} to {high[0, i]:,.4g}",
            chances[i],
        )
        for i, size in enumerate(CHANNELS_UM)
    ]


def volume_uncertainty_percent(data: AssetReport) -> str:
    """Standard uncertainty of the counted volume of the same sample; "" without one."""
    return "".join(f"{100 * spread:.4g}" for spread in data.samples.volume_spread[_newest(data)].tolist())


def _newest(data: AssetReport) -> NDArray[np.intp]:
    """The row of the newest valid count, or none."""
    return np.flatnonzero(data.samples.counts_verdict == VALID)[-1:]


if TYPE_CHECKING:
    from markupsafe import Markup

# On text that is escaped already.
_SIGNS = (
    (r"&gt;= ?(?=\d)", "≥\N{NO-BREAK SPACE}"),
    (r"(?<=\d) ?um\b", "\N{NO-BREAK SPACE}µm"),
    (r"\bum\b", "µm"),
    (r"\bu(A|L)\b", r"µ\1"),
    (r"\bdegC\b", "°C"),
    (r"\bmm2/s\b", "mm²/s"),
    (r"(?<![\w/.:-])-(?=\d)", "\N{MINUS SIGN}"),
    (r"(?<=\d) (?=(?:%|°C|µm\(c\)|µA|µL|mL|L|s|h|Nm|bar)(?![\w%]))", "\N{NO-BREAK SPACE}"),
    (r"`([^`]+)`", r"<b>\1</b>"),
)
_TIME = r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d)(:\d\d)(?:\.\d+)?Z"
_DATE = r"(?<![\w-])\d{4}-\d\d-\d\d(?![\w-])"


def typeset(text: object) -> "Markup":
    """A text with its signs, units and times set, the times to the second in UTC; dates do not break."""
    return _typeset(text, r'<time datetime="\g<0>">\1 \2\3</time>')


def typeset_brief(text: object) -> "Markup":
    """The same with times to the minute, which say that they are UTC: for sentences, not for tables."""
    return _typeset(text, r'<time datetime="\g<0>">\1 \2 UTC</time>')


def _typeset(text: object, time: str) -> "Markup":
    from markupsafe import Markup, escape

    made = str(escape(text))
    for found, shown in _SIGNS:
        made = re.sub(found, shown, made)
    # A date alone first: times bring theirs in an attribute.
    made = re.sub(_DATE, r"<time>\g<0></time>", made)
    return Markup(re.sub(_TIME, time, made))


if TYPE_CHECKING:
    from skidwright.report.tuning_section import TuningSection

SIGNS = {"good": "✓", "close": "▲", "bad": "✗", "unknown": "?"}


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    place = FileSystemLoader(Path(__file__).parent)
    made = Environment(loader=place, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    made.filters |= {"typeset": typeset, "typeset_brief": typeset_brief}
    return made.get_template("page.html.j2")


def render(data: AssetReport, tuning: "TuningSection | None" = None) -> str:
    """The page as text; the date it bears is the moment at which the asset was judged."""
    from markupsafe import Markup

    samples = data.samples
    said = headline.judge(data)
    dated = samples.when[~np.isnat(samples.when)]
    # Only our own drawings go in unescaped; every text in them was escaped by the writer of the SVG.
    drawn = {}
    if len(samples):
        drawn = {
            "code": Markup(pictures.code_history(data)),
            "water": Markup(pictures.water_and_temperature(data)),
            "flow": Markup(pictures.flow(data)),
            "size": Markup(pictures.size_distribution(data)),
        }
    many = len(samples) > 2 * pictures.COLUMNS
    marked = any(happening.mark for happening in data.happenings)
    text: str = _template().render(
        data=data,
        headline=said,
        sign=SIGNS[said.look],
        css=Markup((Path(__file__).parent / "page.css").read_text("utf-8")),
        pictures=drawn,
        tuning=tuning,
        tuning_picture=Markup(tuning.picture) if tuning else "",
        openness=openness(data),
        over_time=over_time(data),
        stands=stands(data),
        confidence=f"{100 * data.standing.goals.confidence:g}",
        volume_uncertainty=volume_uncertainty_percent(data),
        total=len(samples),
        period_start=moment(dated.min()) if len(dated) else "unknown",
        period_end=moment(dated.max()) if len(dated) else "unknown",
        target=f"target {format_code(data.asset.target)} or lower" if data.asset.target else "no target set",
        water_limit="no limit set"
        if data.asset.water_limit_percent is None
        else f"of saturation, limit {data.asset.water_limit_percent:g} %",
        gathered_note="With this many samples the line is their median; the bar runs from lowest to highest."
        if many
        else "",
        strip_note=" With so many samples not believed, the strip below shows their share instead."
        if data.excluded_total > pictures.MANY_DOUBTED
        else "",
        letters_note="Letters are explained under “What happened”." if marked else "",
        version=VERSION,
        written=moment(data.standing.now),
        valid_counts=int((samples.counts_verdict == VALID).sum()),
        valid_water=int((samples.water_verdict == VALID).sum()),
    )
    return text


def file_name(number: int, name: str) -> str:
    """A name for an asset's report that every file system takes."""
    words = re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
    return "_".join(filter(None, [f"asset_{number}", words])) + ".html"


def write(
    data: AssetReport,
    path: Path,
    tuning: "TuningSection | None" = None,
) -> None:
    """Write the page to `path`, whole or not at all. Raises OSError."""
    text = render(data, tuning)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_whole(path, text.encode())
