"""skidwright assess: which machine needs a person first, and why."""

import textwrap
from collections.abc import Sequence
from pathlib import Path

import click

from skidwright.cli import asset_options, options, output, selection
from skidwright.cli.asset_options import counted
from skidwright.config import Config
from skidwright.formulas.iso4406 import format_code
from skidwright.judgement.in_words import lines
from skidwright.standing import words
from skidwright.standing.goals import NO_GOAL, WORDS
from skidwright.standing.standing import Standing
from skidwright.wording import span


def rank(found: Sequence[Standing]) -> None:
    """All assets, worst first, reasons in words below each; what holds for all of them stands at the end."""
    common = _common(found)
    rows = [(str(one.asset.number), one.asset.name, one.word, _code(one), _target(one)) for one in found]
    heads = ("no.", "asset", "needs", "code", "target")
    widths = [max(map(len, column)) for column in zip(heads, *rows, strict=True)]
    room = max(output.console().width, 40)
    output.say(_line(heads, widths))
    for one, row in zip(found, rows, strict=True):
        output.say(_line(row, widths))
        for reason in one.reasons:
            text = words.reason(reason)
            if text not in common:
                output.say(
                    textwrap.fill(
                        text,
                        room - 1,
                        initial_indent=" " * widths[0] + "   - ",
                        subsequent_indent=" " * widths[0] + "     ",
                        break_long_words=False,
                    )
                )
    output.say("")
    for text in common:
        output.say(f"All of them: {text}.")
    sums = [f"{sum(one.word == word for one in found)} {word}" for word in WORDS.values()]
    output.say(f"{counted(len(found), 'asset')}: {', '.join(sums)}.")
    output.say("`skidwright assess --asset N` says more of one.")


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    number, *others = zip(cells, widths, strict=True)
    return "  ".join([number[0].rjust(number[1]), *(cell.ljust(width) for cell, width in others)]).rstrip()


def _target(one: Standing) -> str:
    return format_code(one.asset.target) if one.asset.target else ""


def _common(found: Sequence[Standing]) -> list[str]:
    """Reasons that every asset has: they belong to the skid."""
    if len(found) < 2:
        return []
    every = [[words.reason(reason) for reason in one.reasons] for one in found]
    return [text for text in every[0] if all(text in texts for texts in every)]


def _code(one: Standing) -> str:
    return format_code(one.code) if one.code else ""


def show(one: Standing) -> None:
    """Everything judged of one asset."""
    output.say(f"{one.asset.title} (asset {one.asset.number}): {words.title(one)}")
    for reason in one.reasons:
        output.say(f"  {WORDS[reason.level]}: {words.reason(reason)}")
    judgement = one.judgement
    if judgement is None:
        return
    _show_state(one)
    rows = lines(judgement)
    if rows:
        output.print_table(
            ("series", ">newest", "trend", "95 %", "last change", "above usual", "limit"),
            [
                (
                    line.series,
                    line.newest,
                    line.trend,
                    line.interval.replace(" to ", ".."),
                    line.change,
                    line.alarm,
                    line.limit,
                )
                for line in rows
            ],
        )
        output.say("Trends and changes of particles are in scale numbers: one up is about twice as many.")
    for hint in judgement.hints:
        output.say(f"\nHint, no diagnosis: {hint.what}")
        output.say(f"  Seen: {hint.evidence}.")
        output.say(f"  May be: {hint.may_be}.")
        output.say(f"  Or else: {hint.else_it}.")


def _show_state(one: Standing) -> None:
    if one.code:
        text = (
            f"Code {format_code(one.code)}, median of the newest {len(one.particles[0].rows)} valid samples"
        )
        target = f"; target {format_code(one.asset.target)}" if one.asset.target else ""
        output.say(f"{text}{target}: {words.particle_state(one)}.")
    newest = [one.particles[0], one.water[0]]
    for what, each in zip(("counts", "water"), newest, strict=True):
        if each.rows and each.age_days >= 0:
            output.say(f"The newest valid {what} are {span(each.age_days)} old.")
    for each in one.quantities:
        if each.state != NO_GOAL or each.rows:
            output.say(f"  {words.verdict(each)}; {WORDS[one.level_of(each.name)]}")
    output.say(f"How sure: {one.sureness.word}.")


@click.command(short_help="Say which asset needs attention first, and why.")
@options.archive_option
@options.config_option
@selection.device_option
@selection.asset_option
@options.key_option
@click.option(
    "--at", "at", type=asset_options.Moment(), metavar="TIME",
    help="As things stood then, in UTC, such as 2026-03-31 or 2026-03-31T14:00Z.  [default: now]",
)  # fmt: skip
@options.json_option
def assess(
    archive: Path,
    config: Config,
    device: str,
    asset: tuple[int, ...],
    keys: list[bytes],
    at: int | None,
    as_json: bool,
) -> int:
    """Judge every asset over time and rank them by what needs attention.

    Looked at are target and water limit (with the chance that the target is met), trends, change points,
    control charts, when a limit will be passed, and whether sampling or calibration is overdue. With --asset
    everything found is shown, with hints on what may be behind it. How each figure is got, how often it
    errs and what it cannot see: docs/judgement.md.

    \b
    Examples:
      skidwright assess
      skidwright assess --asset 2
      skidwright assess --at 2026-03-31 --json

    Exit status 1: an asset needs attention, or a log is damaged or not complete.
    """
    import numpy as np

    from skidwright.cli import options, output
    from skidwright.register import known_assets
    from skidwright.standing import plain_rows, standing

    known = known_assets(config, archive)
    logs = selection.assess(archive, known.config, device, asset, keys)
    selection.tell_damage(logs)
    now = np.datetime64(at, "ms") if at is not None else options.now()
    found = standing.standings(logs, known, archive, now, asset, as_of_then=at is not None)
    if as_json:
        output.print_json(
            {"at": f"{now.astype('datetime64[s]')}Z", "assets": [plain_rows.row_of(one) for one in found]}
        )
    elif asset:
        for one in found:
            show(one)
    else:
        rank(found)
    return 1 if any(one.level for one in found) or not all(log.report.ok for log in logs) else 0
