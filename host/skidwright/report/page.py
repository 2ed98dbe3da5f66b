"""Writes the HTML file of one asset from what has been gathered, judged and drawn."""

import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from skidboard import VERSION

from skidwright.judgement.wording import moment
from skidwright.report import columns, headline, pictures
from skidwright.report.model import VALID, AssetReport
from skidwright.report.openness import openness, volume_uncertainty_percent
from skidwright.report.over_time import over_time, stands
from skidwright.report.typeset import typeset, typeset_brief
from skidwright.trade.code_text import format_code
from skidwright.whole_file import write_whole

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
    many = len(samples) > 2 * columns.COLUMNS
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
