"""`skidwright check`: which samples may be believed, and why not the others."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from skidwright.cli import options, selection
from skidwright.config import Config

SHOWN_LOSSES = 12
SAMPLE_COLUMNS = (
    ("record", 8),
    ("UTC", 20),
    ("asset", 6),
    ("code", 9),
    ("95 % limits per mL >=4, >=6, >=14", 38),
    ("chances of scale numbers", 44),
    ("water %", 8),
    ("counts", 9),
    ("water", 9),
    ("temp", 9),
    ("metal", 13),
    ("reasons", 0),
)


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
    Nothing is deleted or changed. What each check looks at is in docs/checks.md.

    \b
    Examples:
      skidwright check
      skidwright check --all --asset 2
      skidwright check --json | jq .totals

    Exit status 1: at least one sample was rejected for a quantity, or a log is damaged or incomplete.
    """
    from skidwright.checking import Tally
    from skidwright.cli import output
    from skidwright.register import known_assets

    config = known_assets(config, archive).config
    found = selection.assess(archive, config, device, asset, keys)
    tally = Tally(config, set(asset))
    if as_json and each:
        _stream_json(tally, found)
    elif as_json:
        for one in found:
            for _ in tally.rows(one, each=False):
                pass
        output.print_json(tally.answer(found))
    else:
        _print_tables(tally, found, each)
    return 1 if tally.fell_short(found) else 0


def _stream_json(tally: Any, found: Any) -> None:
    """One JSON document, written sample by sample so that a long log needs no room."""
    import json

    print('{"samples": [')
    first = True
    for one in found:
        for row in tally.rows(one, each=True):
            print(("" if first else ",\n") + json.dumps(row, ensure_ascii=False), end="")
            first = False
    answer = json.dumps(tally.answer(found), indent=2, ensure_ascii=False)
    print("\n],\n" + answer.lstrip()[1:])


def _print_tables(tally: Any, found: Any, each: bool) -> None:
    from skidwright.cli import output

    for one in found:
        if not each:
            for _ in tally.rows(one, each=False):
                pass
            continue
        output.say(f"board {one.path.parent.name}, log {one.path.stem}")
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
    for row in rows:
        verdict = row["verdict"]
        yield (
            row["seq"],
            row["utc"] or "unknown",
            row["asset"],
            row["code"],
            ", ".join(_limits(span) for span in row["limits_per_ml"][:3]),
            " / ".join(text or "?" for text in row["scale_number_chances"]),
            "" if row["water_percent"] is None else f"{row['water_percent']:.1f}",
            verdict["counts"],
            verdict["water"],
            verdict["temperature"],
            verdict["metal"],
            ", ".join(row["reasons"]),
        )
