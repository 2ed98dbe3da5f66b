"""The judgement of a clean-up run as table, sentences, JSON and picture."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skidwright.config import Config

if TYPE_CHECKING:
    from skidwright.cleanup.decay import FitInterval
    from skidwright.cleanup.progress import CleanedQuantity, Judged
    from skidwright.standing.standing import Standing


def last_run(archive: Path, config: Config, asset: int, given: dict[str, Any]) -> tuple[Judged, Standing]:
    """The asset's newest run in the archive, judged, and how the asset stands now. Raises ArchiveError
    when there is none.
    """
    from skidwright.cleanup import progress, runs
    from skidwright.cli import options, selection
    from skidwright.errors import ArchiveError
    from skidwright.judgement.events import joined, marks
    from skidwright.register import known_assets
    from skidwright.samples import unreadable
    from skidwright.samples.history import histories
    from skidwright.standing.standing import book_of, of_history

    known = known_assets(config, archive)
    logs = selection.assess(archive, known.config, given["device"], (asset,), given["keys"])
    history = histories(logs, (asset,))[asset]
    found = runs.runs_of(history, logs)
    damaged = runs.unread_since(found[-1] if found else None, history, logs)
    if not found:
        lines = f", but {damaged[-1]}" if damaged else ""
        remedy = unreadable.REMEDY if damaged else "start one with `skidwright cleanup PORT`"
        raise ArchiveError(f"no clean-up run of asset {asset}{lines}", str(archive), remedy)
    record = known.asset(asset)
    judged = progress.judge_run(
        found[-1], history, given["tank"] or record.volume_l, given["flow"], record.solubility, damaged
    )
    happened = joined(marks(logs), book_of(archive).get(asset, []))
    return judged, of_history(history, known, options.now(), logs, happened)


def show(judged: Judged, stands: Standing, picture: Path | None, as_json: bool) -> int:
    """Print and draw it; the exit status: 0 when it was proven clean, and all since its begin can be read."""
    from skidwright.cleanup import progress
    from skidwright.cli import output
    from skidwright.standing.plain_rows import standing_row
    from skidwright.standing.words import title

    if picture is not None:
        draw(judged, picture)
    if as_json:
        output.print_json({**progress.answer(judged), "standing": standing_row(stands)})
    else:
        table(judged)
        output.say(f"This machine stands: {title(stands)}")
        if picture is not None:
            output.say(f"picture: {picture}")
    from skidboard.cleanup import ON_TARGET

    return 0 if judged.run.how == ON_TARGET and not judged.unread else 1


def draw(judged: Judged, path: Path) -> None:
    """Write the picture."""
    from skidwright.cleanup import picture
    from skidwright.tuning.picture import save

    save(picture.draw(judged.samples, judged.progress, head(judged)), path)


def head(judged: Judged) -> str:
    """What was aimed at and how it ended, in one line."""
    from skidwright.cleanup.runs import end_text

    run = judged.run
    water = "" if run.water_limit_percent is None else f", water {run.water_limit_percent:g} %"
    return f"Clean-up of asset {run.asset} to {run.target_text}{water}: {end_text(run.how)}"


def table(judged: Judged) -> None:
    """The run in a table and sentences."""
    from skidwright.cleanup.decay import Decay
    from skidwright.cli import output
    from skidwright.samples import unreadable

    run = judged.run
    columns = [
        "quantity",
        ">latest",
        ">target",
        "unit",
        ">floor (95 %)",
        ">time constant",
        ">on target after",
    ]
    with_ratio = any(q.ratio is not None for q in judged.progress.quantities)
    if with_ratio:
        columns.append(">filtration ratio")
    rows = []
    for q in judged.progress.quantities:
        fitted = isinstance(q.found, Decay)
        cells: list[Any] = [
            q.name,
            _level(q.latest),
            _level(q.limit),
            q.unit,
            _levels(q.found.floor) if isinstance(q.found, Decay) else "-",
            _times(q.found.tau_s) if isinstance(q.found, Decay) else "-",
            _times(q.end) if fitted and q.end is not None else "-",
        ]
        if with_ratio:
            cells.append("-" if q.ratio is None else _ratio(q.ratio))
        rows.append(cells)
    output.print_table(columns, rows, head(judged))
    output.say(
        f"{len(run.rows)} samples, {judged.excluded} of them not valid; {run.wanted} in a row are wanted."
    )
    for q in judged.progress.quantities:
        output.say(f"{q.name}: {q.words}.{_ingress(q)}")
    output.say(summary(judged))
    for line in judged.unread:
        output.say(f"DAMAGED: {line}.")
    if judged.unread:
        output.say(f"The end of this run, or a later run, may have stood there: {unreadable.REMEDY}.")


def summary(judged: Judged) -> str:
    """What it comes to, in a sentence."""
    from skidwright.cleanup import progress
    from skidwright.cleanup.decay import FEWEST
    from skidwright.cleanup.runs import RUNNING, end_text

    run, state = judged.run, judged.progress.state
    if run.how != RUNNING:
        hours = f" after {span(run.run_s)}" if run.run_s else ""
        return f"The board has ended the run{hours}: {end_text(run.how)}."
    if state == progress.NEVER:
        return "It will never be clean like this: find where it comes in or goes by first."
    until = judged.until_proven_s()
    if judged.too_few:
        return f"When it will be clean cannot be told with fewer than {FEWEST} valid samples."
    if until is None:
        return "When it will be clean cannot be told yet."
    if math.isinf(until.value):
        return "It may never be clean like this, or it is too early to tell."
    high = "open" if math.isinf(until.high) else span(until.high)
    return f"Proven clean in about {span(until.value)} (95 %: {span(until.low)} to {high})."


def _ingress(q: CleanedQuantity) -> str:
    if q.ingress_per_min is None or not q.ingress_per_min.value > 0:
        return ""
    value, low, high = (f"{float(f'{n:.2g}'):,.0f}" for n in q.ingress_per_min)
    return f" About {value} ({low} to {high}) particles come in a minute."


def _level(value: float) -> str:
    from skidwright.cleanup.progress import number

    return number(value)


def _levels(found: FitInterval) -> str:
    return f"{_level(found.value)} ({_level(found.low)} to {_level(found.high)})"


def _ratio(found: FitInterval) -> str:
    def of(value: float) -> str:
        return "open" if math.isinf(value) else f"{value:.3g}"

    return f"{of(found.value)} ({of(found.low)} to {of(found.high)})"


def span(seconds: float) -> str:
    """A length of time for people: "48 min", "3.2 h", "2.5 d"."""
    if math.isinf(seconds):
        return "never"
    if seconds < 5400:
        return f"{max(seconds, 0) / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 2 * 86400 else f"{seconds / 86400:.1f} d"


def _times(found: FitInterval) -> str:
    if math.isinf(found.value):
        return "never"
    high = "open" if math.isinf(found.high) else span(found.high)
    return f"{span(found.value)} ({span(found.low)} to {high})"
