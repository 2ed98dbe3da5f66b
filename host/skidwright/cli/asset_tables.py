"""Commands of `skidwright asset` that read and write files: import, export, tags, suggest."""

from __future__ import annotations

import dataclasses
import io
import sys
from pathlib import Path
from typing import Any

import click

from skidwright.cli import asset_options, options
from skidwright.cli.asset_options import counted
from skidwright.config import Config
from skidwright.formulas.iso4406 import format_code

MAX_TABLE_BYTES = 64 << 20


@click.command("import", short_help="Take machines from a CSV table.")
@click.argument("table", type=click.Path(path_type=Path, allow_dash=True))
@click.option("--dry-run", is_flag=True, help="Only say what would change.")
@options.archive_option
@options.json_option
def import_table(table: Path, dry_run: bool, archive: Path, as_json: bool) -> None:
    """Take the machines of TABLE (CSV; "-" for standard input) into the register, all of them or none.

    Columns are those of `asset export`; only `number` must be there. A column that is left out changes
    nothing, an empty cell strikes the value out, and machines that are not in the table stay as they are.

    \b
    Examples:
      skidwright asset import machines.csv --dry-run
      skidwright asset import machines.csv
    """
    from skidwright.cli import output
    from skidwright.errors import RegisterError
    from skidwright.register import Register
    from skidwright.register.table import read_table

    where = "standard input" if str(table) == "-" else str(table)
    with click.open_file(str(table), "rb") as file:
        raw = file.read(MAX_TABLE_BYTES + 1)
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise RegisterError("not UTF-8", f"{where}: line {line}", "save the table as CSV in UTF-8") from None
    if len(raw) > MAX_TABLE_BYTES:
        raise RegisterError("longer than 64 MB", where, "this is no table of machines")
    with Register.open(archive, write=not dry_run) as register:
        before = {record.number: record for record in register.assets()}
        records = read_table(text, before, where)
        changed = [
            record for record in records if record.number in before and before[record.number] != record
        ]
        new = [record for record in records if record.number not in before]
        if not dry_run:
            register.put([*changed, *new])
    answer = {"new": [r.number for r in new], "changed": [r.number for r in changed], "rows": len(records)}
    if as_json:
        output.print_json({**answer, "dry_run": dry_run})
    else:
        would = "would be " if dry_run else ""
        output.say(
            f"{counted(len(records), 'machine')} in {where}: "
            f"{len(new)} {would}new, {len(changed)} {would}changed"
        )


@click.command("export", short_help="Write the register as a CSV table.")
@click.argument("target", type=click.Path(path_type=Path, dir_okay=False, allow_dash=True))
@options.archive_option
def export_table(target: Path, archive: Path) -> None:
    """Write all machines of the register to TARGET as CSV, units in the heads; "-" for standard output.

    What only skid.toml says is not in it. `asset import` reads it back exactly.

    \b
    Examples:
      skidwright asset export machines.csv
      skidwright asset export - | column -s, -t
    """
    from skidwright.cli import output
    from skidwright.register import Register
    from skidwright.register.table import write_table
    from skidwright.whole_file import write_whole

    with Register.open(archive) as register:
        records = register.assets()
    text = write_table(records)
    if str(target) == "-":
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(newline="")
        print(text, end="")
        return
    # With the mark of UTF-8 that spreadsheets look for.
    write_whole(target, text.encode("utf-8-sig"))
    output.say(f"{counted(len(records), 'machine')} written to {target}")


@click.command(short_help="Tags with a QR code for the machines.")
@click.option(
    "-o", "--output", "target", type=click.Path(path_type=Path, dir_okay=False), default=Path("tags.html"),
    show_default=True, help="File to write: .html, or .svg for one file a sheet.",
)  # fmt: skip
@click.option("--asset", "only", multiple=True, type=int, help="Only this asset number; may be repeated.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True, help="Paper.")
@click.option("--link", default="", metavar="URL", help="Address for the code; {number} in it is filled in.")
@options.archive_option
@options.config_option
@options.json_option
def tags(
    target: Path,
    only: tuple[int, ...],
    paper: str,
    link: str,
    archive: Path,
    config: Config,
    as_json: bool,
) -> None:
    """Write tags for the machines: number, name, target and a QR code, on sheets to print and cut.

    The code says in plain text which asset it is, or holds the address of --link. Print at 100 %.

    \b
    Examples:
      skidwright asset tags -o tags.html
      skidwright asset tags --asset 12 --paper letter --link "https://shop.example/asset_{number}.html"
    """
    from skidwright.cli import output
    from skidwright.errors import UnknownAsset
    from skidwright.register import tags as drawing
    from skidwright.whole_file import write_whole

    known = asset_options.known(config, archive)
    chosen = [asset_options.known_asset(config, archive, number) for number in only] or list(known.values())
    if not chosen:
        raise UnknownAsset("no machines to tag", str(archive), "enter one with `skidwright asset add`")
    if target.suffix.lower() not in (".html", ".svg"):
        raise click.UsageError(f"-o {target}: give a name that ends in .html or .svg")
    made = [drawing.tag_of(record, link) for record in chosen]
    try:
        if target.suffix.lower() == ".html":
            contents = [drawing.page(made, paper)]
        else:
            contents = drawing.sheets(made, paper)
    except ValueError as error:
        raise click.UsageError(f"--link: no QR code holds this ({error})") from None
    paths = [target, *(target.with_stem(f"{target.stem}-{k}") for k in range(2, len(contents) + 1))]
    for path, content in zip(paths, contents, strict=True):
        write_whole(path, content.encode())
    if as_json:
        output.print_json({"tags": len(made), "files": [str(path) for path in paths]})
    else:
        output.say(f"{counted(len(made), 'tag')} written to {', '.join(map(str, paths))}")


@click.command(short_help="Suggest a target from the machine's components.")
@click.argument("number", type=click.IntRange(1, 65535), required=False)
@click.option(
    "--margin",
    type=click.Choice(["1", "2"]),
    default="1",
    show_default=True,
    help="Scale numbers cleaner than the most sensitive component needs.",
)
@click.option("--accept", is_flag=True, help="Enter the suggestion as the machine's target.")
@click.option(
    "--table",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Your own table; its types replace those that come along.  [default: component_targets.toml in the "
    "user's place for settings]",
)
@click.option("--show-table", is_flag=True, help="Print the table that comes along, and nothing else.")
@options.archive_option
@options.config_option
@options.json_option
def suggest(
    number: int | None,
    margin: str,
    accept: bool,
    table: Path | None,
    show_table: bool,
    archive: Path,
    config: Config,
    as_json: bool,
) -> int:
    """Suggest an ISO 4406 target for asset NUMBER from its components and their pressures, with the reasons.

    Every figure of the table says whether it is published, common practice, or from memory. What the
    makers of the machine and its components ask for comes first.

    \b
    Examples:
      skidwright asset suggest 12
      skidwright asset suggest 12 --margin 2 --accept
      skidwright asset suggest --show-table > component_targets.toml

    Exit status 1: a component is not in the table, or there is none to go by.
    """
    from skidwright.cli import output
    from skidwright.register import Register, targets

    if show_table:
        output.say(targets.SHIPPED.read_text("utf-8").rstrip("\n"))
        return 0
    if number is None:
        raise click.UsageError("no NUMBER given; `skidwright asset list` shows all")
    record = asset_options.known_asset(config, archive, number)
    found = targets.suggest(record, targets.load(table or targets.user_table()))
    target = found.targets.get(int(margin))
    if accept and target is not None:
        with Register.open(archive, write=True) as register, register.transaction():
            register.ensure(number)
            kept = register.asset(number)
            assert kept is not None
            register.put(dataclasses.replace(kept, target=target))
    counted_ml = config.board_in_force()["sample_volume_ul"] / 1000
    needed_ml = targets.volume_to_prove_ml(target) if target else 0.0
    if as_json:
        volumes = {"volume_to_prove_ml": round(needed_ml, 2), "volume_of_a_sample_ml": counted_ml}
        output.print_json({**_suggestion(found, target, accept), **(volumes if target else {})})
    else:
        for reason in found.reasons:
            output.say(f"- {reason}")
        for cleaner, code in found.targets.items():
            output.say(f"{counted(cleaner, 'scale number')} cleaner: {format_code(code)}")
        if target is not None:
            output.say(
                f"To prove {format_code(target)} on a fluid half as dirty takes {needed_ml:.2g} mL counted; "
                f"a sample counts {counted_ml:g} mL"
            )
        if accept and target is not None:
            output.say(f"target of asset {number} is now {format_code(target)}")
    return 1 if found.unknown or target is None else 0


def _suggestion(found: Any, target: Any, accept: bool) -> dict[str, Any]:
    return {
        "needed": format_code(found.needed) if found.needed else None,
        "targets": {str(margin): format_code(code) for margin, code in found.targets.items()},
        "target": format_code(target) if target else None,
        "accepted": accept and target is not None,
        "reasons": found.reasons,
        "not_in_the_table": found.unknown,
    }


commands = [import_table, export_table, tags, suggest]
