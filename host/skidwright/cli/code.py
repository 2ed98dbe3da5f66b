"""skidwright code: counts or concentrations to codes, with what chance leaves open."""

from collections.abc import Sequence
from typing import Any

import click
import numpy as np

from skidwright.cli import options
from skidwright.cli.options import ListCommand, Number, percent, rounded
from skidwright.formulas import counting, iso4406

SIZES_UM = (4, 6, 14)


def needed(
    per_ml: Sequence[float | None], confidence: float, volume_uncertainty: float, target: Sequence[int] | None
) -> dict[str, Any]:
    """Volumes in mL for the three channels of the code, and the largest of them for the whole code.

    `number_ml`: enough for the interval around the count to lie within one scale number, or, with a
    `target`, for its upper limit not to be above that number. `no_mark_ml`: enough that 20 particles are
    counted, so that the number needs no `>=`. None where no volume is enough. ValueError when none of
    the channels was counted.
    """
    channels = []
    for i, (size, value) in enumerate(zip(SIZES_UM, per_ml, strict=False)):
        if value is None:
            continue
        at_most = None if target is None else target[i]
        channels.append(
            {
                "size_um": size,
                "per_ml": value,
                "scale_number": iso4406.number_text(int(iso4406.scale_numbers(value))),
                "at_most": at_most,
                "number_ml": rounded(
                    counting.volume_for_number_ml(value, confidence, volume_uncertainty, at_most), 3, True
                ),
                "no_mark_ml": rounded(counting.volume_for_count_ml(value, confidence=confidence), 3, True),
            }
        )
    if not channels:
        raise ValueError("--volume-needed: no channel with a concentration was given")
    volumes = [channel["number_ml"] for channel in channels]
    return {
        "level": confidence,
        "channels": channels,
        "whole_code_ml": None if None in volumes else float(np.max([v for v in volumes if v is not None])),
    }


def lines(found: dict[str, Any]) -> list[str]:
    """The same for people, a line a channel and one for the whole code."""
    said = []
    percent = f"{100 * found['level']:g} %"
    for channel in found["channels"]:
        number, volume = channel["scale_number"], channel["number_ml"]
        wanted = f"is {number}" if channel["at_most"] is None else f"is not above {channel['at_most']}"
        if volume is not None:
            enough = f"{volume:g} mL show with {percent} confidence that its number {wanted}"
        elif channel["at_most"] is not None:
            enough = f"no volume shows that its number {wanted}: by this concentration it is {number}"
        else:
            enough = f"no volume shows that its number {wanted}: too near to a limit, or volume too uncertain"
        mark = channel["no_mark_ml"]
        said.append(f">={channel['size_um']} um(c)  {enough}" + (f"; {mark:g} mL hold 20" if mark else ""))
    whole = found["whole_code_ml"]
    said.append("whole code  " + ("no volume is enough" if whole is None else f"{whole:g} mL"))
    return said


@click.command(
    cls=ListCommand, short_help="Cleanliness code of particle counts (ISO 4406, AS4059, NAS 1638)."
)
@click.option("--per-ml", multiple=True, metavar="N N N [N]", help="Particles per mL, cumulative, by size.")
@click.option("--counts", multiple=True, metavar="N N N [N]", help="Raw counts, cumulative, by size.")
@click.option("--volume-ml", help="Volume in which the counts were made, mL.")
@click.option("--dilution", default="1", show_default=True, help="Parts of mixture to one part of fluid.")
@click.option(
    "--standard",
    type=click.Choice(["iso4406", "as4059", "nas1638"]),
    default="iso4406",
    show_default=True,
    help="Standard to code by.",
)
@click.option(
    "--sensing-volume-ml",
    type=Number(min=0),
    default=0.0,
    help="Take out coincidence, by the counter's sensing volume.",
)
@click.option(
    "--confidence",
    type=Number(50, 99.9999),
    default=95,
    show_default=True,
    callback=percent,
    metavar="PERCENT",
    help="Confidence of what --detail, --compare and --volume-needed say.",
)
@click.option(
    "--volume-uncertainty",
    type=Number(0, 50),
    default=0,
    show_default=True,
    callback=percent,
    metavar="PERCENT",
    help="One standard deviation of the volume.",
)
@click.option("--detail", is_flag=True, help="Also show intervals and probabilities, of --counts.")
@click.option(
    "--compare",
    multiple=True,
    metavar="N N N [N]",
    help="Raw counts of another sample, diluted alike: do the two differ?",
)
@click.option("--compare-volume-ml", metavar="ML", help="Volume of the other sample.  [default: the same]")
@click.option(
    "--volume-needed", is_flag=True, help="Also show how much must be counted to be sure of each number."
)
@click.option("--target", metavar="CODE", help="Volume needed to show that the code is not above this one.")
@click.argument("rest", nargs=-1, metavar="")
@options.json_option
def code(
    per_ml: tuple[str, ...],
    counts: tuple[str, ...],
    volume_ml: str | None,
    dilution: str,
    standard: str,
    sensing_volume_ml: float,
    confidence: float,
    volume_uncertainty: float,
    detail: bool,
    compare: tuple[str, ...],
    compare_volume_ml: str | None,
    volume_needed: bool,
    target: str | None,
    rest: tuple[str, ...],
    as_json: bool,
) -> None:
    """Cleanliness code of cumulative particle counts at >=4, >=6, >=14 um(c), and if there is one >=21 um(c).

    A size that was not wanted is written -, one with too many particles to count '*' (in quotes, or the
    shell puts file names in its place). With --counts a number is marked >= where fewer than 20 particles
    were counted, as ISO 4406 asks. AS4059 and NAS 1638 know more sizes: give them in order, up to six
    (4, 6, 14, 21, 38, 70 um(c)); without them the answer is partial and says so.

    --compare says, size by size, whether two samples differ by more than counting allows. --volume-needed
    says how much of such a fluid must be counted until each number of its code is certain.

    \b
    Examples:
      skidwright code --per-ml 1300.01 640 80
      skidwright code --counts 1600 400 13 --volume-ml 10
      skidwright code --counts 160 40 - --volume-ml 10 --dilution 10
      skidwright code --per-ml 1300 640 80 9 --standard as4059
      skidwright code --counts 36000 9000 900 --volume-ml 30 --volume-uncertainty 2 --json
      skidwright code --counts 1600 400 13 --volume-ml 10 --compare 1900 420 25
      skidwright code --per-ml 1800 420 38 --volume-needed --confidence 99
      skidwright code --per-ml 1800 420 38 --target 18/16/13
    """
    from skidwright.cli import code_answer, output

    if rest and not (per_ml or counts) and rest[0][:1].isdecimal():
        raise click.UsageError(f"{rest[0]}: say what it is, with --per-ml or --counts before the numbers")
    if rest:
        raise click.UsageError(f"{rest[0]}: not a number, - or '*' (put the * in quotes)")
    if bool(per_ml) == bool(counts):
        raise click.UsageError("give either --per-ml or --counts")
    if counts and volume_ml is None:
        raise click.UsageError("--counts: the volume is missing, give --volume-ml")
    if per_ml and (volume_ml is not None or dilution != "1"):
        raise click.UsageError("--volume-ml and --dilution go with --counts, not with --per-ml")
    if per_ml and (detail or compare):
        which = "--detail" if detail else "--compare"
        raise click.UsageError(f"{which}: what chance leaves open follows from raw counts: give --counts")
    if compare_volume_ml is not None and not compare:
        raise click.UsageError("--compare-volume-ml goes with --compare")
    try:
        wanted = None if target is None else _code(target)
        answer = code_answer.answer(
            code_answer.Question(
                values=counts or per_ml,
                volume_ml=volume_ml if counts else None,
                dilution=dilution,
                standard=standard,
                sensing_volume_ml=sensing_volume_ml,
                confidence=confidence,
                volume_uncertainty=volume_uncertainty,
            )
        )
        if compare:
            answer["comparison"] = code_answer.compared(
                counts,
                volume_ml or "",
                compare,
                compare_volume_ml or volume_ml or "",
                confidence,
                volume_uncertainty,
            )
        if volume_needed or wanted:
            answer["volume_needed"] = needed(answer["per_ml"], confidence, volume_uncertainty, wanted)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    if as_json:
        output.print_json(answer)
        return
    for line in code_answer.lines(answer, detail):
        output.say(line)
    if "comparison" in answer:
        for line in code_answer.comparison_lines(answer["comparison"]):
            output.say(line)
    if "volume_needed" in answer:
        for line in lines(answer["volume_needed"]):
            output.say(line)
    for note in answer["notes"]:
        click.echo(f"note: {note}", err=True)


def _code(text: str) -> tuple[int, int, int]:
    """The target code; ValueError, in one line, for what is none."""
    from skidwright.formulas.iso4406 import parse_code

    try:
        return parse_code(text)
    except ValueError as error:
        raise ValueError(f"--target {text}: {error}") from None
