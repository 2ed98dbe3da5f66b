"""`skidwright check`: which samples may be believed, and why not the others."""

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options, selection
from skidwright.config import Config

if TYPE_CHECKING:
    from skidwright.standing.standing import Standing

SHOWN_LOSSES = 12
# So many samples may be held at once to say how the assets stand: about 400 MB.
MOST_SAMPLES = 2_000_000
SAMPLE_COLUMNS = (
    ("record", 8),
    ("UTC", 20),
    ("asset", 5),
    ("code", 9),
    ("counts", 8),
    ("water", 8),
    ("temp", 8),
    ("metal", 12),
    ("water %", 0),
)
# The lines below a sample's own; together no wider than WIDTH, for a terminal and a printed page.
INDENT, WIDTH = " " * 9, 100
LEGEND = f"{INDENT}95 % limits per mL in the machine: chances of the code as counted; >=4 | >=6 | >=14 um(c)"


@click.command(short_help="Say which samples may be believed, and why not the others.")
@options.archive_option
@options.config_option
@selection.device_option
@selection.asset_option
@options.key_option
@click.option("--all", "each", is_flag=True, help="List every sample, not only the sums.")
@options.json_option
def check(
    archive: Path,
    config: Config,
    device: str,
    asset: tuple[int, ...],
    keys: list[bytes],
    each: bool,
    as_json: bool,
) -> int:
    """Judge every sample in the archive, for each quantity it carries, and say why.

    A sample is valid, suspect or rejected for particle counts, water, temperature and metal separately.
    Nothing is deleted or changed; how each asset stands now is said at the end. What each check looks at is
    in docs/checks.md. Cycles that ended without a
    sample are counted too, with their cause. With --all, each sample has a second line: for >=4, >=6 and
    >=14 um(c) the limits between which the machine's concentration lies with 95 % confidence, and how likely
    each scale number is for the sample as counted. The limits of the report and of papers are those of the
    sample as counted: narrower where the line may have left some of the fluid before. Behind the water
    reading stands twice its standard uncertainty, from converter and wiring (without the sensor's own error).

    \b
    Examples:
      skidwright check
      skidwright check --all --asset 2
      skidwright check --json | jq .totals

    Exit status 1: at least one sample was rejected for a quantity, or a log is damaged or incomplete.
    """
    from skidwright.cli import options, output
    from skidwright.register import known_assets
    from skidwright.samples.tally import Tally
    from skidwright.standing.standing import standings

    selection.tell_thresholds(config, archive)
    known = known_assets(config, archive)
    found = selection.assess(archive, known.config, device, asset, keys)
    tally = Tally(known.config, set(asset))

    def stands() -> "list[Standing] | None":
        if sum(log.report.samples for log in found) > MOST_SAMPLES:
            return None
        made = standings(found, known, archive, options.now(), asset)
        return [one for one in made if one.judgement is not None]

    if as_json and each:
        _stream_json(tally, found, stands)
    elif as_json:
        for one in found:
            for _ in tally.rows(one, each=False):
                pass
        output.print_json({**tally.answer(found), "standing": _standing_rows(stands())})
    else:
        _print_tables(tally, found, each)
        _say_standing(stands())
    return 1 if tally.fell_short(found) else 0


def _standing_rows(found: "list[Standing] | None") -> list[dict[str, Any]] | None:
    """How each asset stands, as in every other answer; None for logs too long to be judged here."""
    from skidwright.standing.plain_rows import standing_row

    if found is None:
        return None
    return [{"asset": one.asset.number, **standing_row(one)} for one in sorted(found, key=_number)]


def _number(one: "Standing") -> int:
    return one.asset.number


def _say_standing(found: "list[Standing] | None") -> None:
    from skidwright.cli import output
    from skidwright.standing.words import title

    if found is None:
        output.say("How the assets stand, `skidwright assess` says: these logs are too long to do it here.")
        return
    for one in sorted(found, key=_number):
        output.say(f"asset {one.asset.number}: {title(one)}")


def _stream_json(tally: Any, found: Any, stands: "Callable[[], list[Standing] | None]") -> None:
    """One JSON document, written sample by sample so that a long log needs no room."""
    from skidwright.cli import output

    print(output.json_text(output.json_head())[:-1] + ', "samples": [')
    first = True
    for one in found:
        for row in tally.rows(one, each=True):
            print(("" if first else ",\n") + output.json_text(row), end="")
            first = False
    whole = {**tally.answer(found), "standing": _standing_rows(stands())}
    answer = output.json_text(whole, indent=2)
    print("\n],\n" + answer.lstrip()[1:])


def _print_tables(tally: Any, found: Any, each: bool) -> None:
    from skidwright.cli import output

    for one in found:
        if not each:
            for _ in tally.rows(one, each=False):
                pass
            continue
        output.say(f"board {one.path.parent.name}, log {one.path.stem}")
        output.say(LEGEND)
        output.print_lines(SAMPLE_COLUMNS, _lines(tally.rows(one, each=True)))
    answer = tally.answer(found)
    for log in answer["logs"]:
        output.say(
            f"board {log['device']}, log {log['log']}: {log['records']:,} records "
            f"({log['samples']:,} samples), {log['integrity']}"
        )
        if log["salvaged_from"]:
            output.say(f"  SALVAGED from raw flash ({log['salvaged_from']}): whatever is not here was lost")
        output.say(f"  protected by {log['protection']}")
        if log["clock_contacts_rejected"]:
            output.say(
                f"  a host's clock was wrong or jumped: {log['clock_contacts_rejected']:,} clock contacts "
                "contradict the others and are not used"
            )
        for line in log["lost"][:SHOWN_LOSSES]:
            output.say(f"  {line}")
        if len(log["lost"]) > SHOWN_LOSSES:
            output.say(f"  and {len(log['lost']) - SHOWN_LOSSES} more: --json lists them")
    rows = [
        (asset["asset"], asset["name"], quantity, *(f"{asset[quantity][word]:,}" for word in tally.words))
        for asset in answer["assets"]
        for quantity in tally.quantities
        if sum(asset[quantity].values()) != asset[quantity]["not measured"]
    ]
    output.print_table((">asset", "name", "quantity", *(f">{word}" for word in tally.words)), rows)
    if answer["not_taken"]:
        output.print_table(
            (">asset", "name", "no sample taken", ">cycles", "first", "last", "what to do"),
            [
                (
                    s["asset"],
                    s["name"],
                    s["why"],
                    f"{s['cycles']:,}",
                    s["first_utc"],
                    s["last_utc"],
                    s["remedy"],
                )
                for s in answer["not_taken"]
            ],
        )
    if answer["reasons"]:
        output.print_table(
            ("reason", "speaks against", "verdict", ">samples", "what to do"),
            [
                (r["check"], r["quantities"], r["verdict"], f"{r['samples']:,}", r["remedy"])
                for r in answer["reasons"]
            ],
        )


def _limits(span: list[float | None] | None) -> str:
    if span is None:
        return "?"
    return "-".join("..." if end is None else f"{end:g}" for end in span)


def _lines(rows: Iterator[dict[str, Any]]) -> Iterator[tuple[Any, ...]]:
    """A sample's own line; below it what its counts leave open, and the checks that spoke against it.

    Notes, many of which hold for every sample, are said where they differ from those of the sample before.
    """
    from skidwright.checks.catalogue import BY_ID
    from skidwright.checks.check import NOTE

    noted: list[str] = []
    for row in rows:
        verdict = row["verdict"]
        percent = "" if row["water_percent"] is None else f"{row['water_percent']:.1f}"
        if percent and row["water_uncertainty_percent"] is not None:
            percent += f" ±{2 * row['water_uncertainty_percent']:.1f}"
        open_left = [
            f"{_limits(span)}: {chances or '?'}"
            for span, chances in zip(row["limits_per_ml"], row["scale_number_chances"], strict=False)
        ]
        below = [*_wrapped(open_left, " | ")]
        notes = [name for name in row["reasons"] if BY_ID[name].severity == NOTE]
        against = [name for name in row["reasons"] if name not in notes]
        if row["purge_needed_ml"] is not None:
            place = against.index("purge-carryover")
            purged, needed = row["purge_ml"], row["purge_needed_ml"]
            against[place] += f" ({purged:.0f} mL purged, {needed:.0f} would have done)"
        if against:
            below += _wrapped(against, ", ", "because of ")
        if notes != noted:
            below += _wrapped(notes or ["nothing any more"], ", ", "noted from here on: ")
        noted = notes
        yield (
            row["sequence_number"],
            row["utc"] or "unknown",
            row["asset"],
            row["iso4406_code"],
            verdict["counts"],
            verdict["water"],
            verdict["temperature"],
            verdict["metal"],
            "\n".join((percent, *below)),
        )


def _wrapped(parts: Sequence[str], between: str, opening: str = "") -> Iterator[str]:
    """Parts as indented lines no wider than WIDTH, broken only between parts."""
    line = INDENT + opening
    fresh = True
    for part in parts:
        more = part if fresh else between + part
        if not fresh and len(line) + len(more) > WIDTH:
            yield line + between.rstrip()
            line, more = INDENT, part
        line += more
        fresh = False
    yield line
