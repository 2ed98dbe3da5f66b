"""`skidwright asset`: the register of machines, by hand."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import click

from skidwright.cli import asset_options, asset_tables, money, options
from skidwright.cli.asset_options import counted
from skidwright.cli.options import Number
from skidwright.config import Config
from skidwright.register.fields import BY_NAME, FIELDS, text_of
from skidwright.register.model import EVENT_KINDS, AssetRecord, Event


@click.group(short_help="The register: machines, targets, maintenance, tags.")
def asset() -> None:
    """The register of machines, in the archive's folder: what they are, need, and what was done to them.

    What the register says of a machine wins over skid.toml, which fills in what the register does not say.

    \b
    Examples:
      skidwright asset add 12 --name "Ramp unit" --volume-l 250 --component "servo valve@210"
      skidwright asset suggest 12 --accept
      skidwright asset event 12 filter --text "return line element"
      skidwright asset show 12
    """


@asset.command(short_help="Enter a machine.")
@asset_options.number_argument
@asset_options.field_options
@options.archive_option
@options.json_option
def add(number: int, archive: Path, as_json: bool, **values: Any) -> None:
    """Enter the machine that is sampled as asset NUMBER.

    \b
    Examples:
      skidwright asset add 12 --name "Ramp unit" --fluid "ISO VG 46" --target 18/16/13
      skidwright asset add 13 --component "servo valve@210: spool 4 um" --component "vane pump@70"
    """
    from skidwright.cli import output
    from skidwright.register import Register

    with Register.open(archive, write=True) as register:
        if register.asset(number) is not None:
            raise click.UsageError(
                f"asset {number} is in the register already; `asset edit {number}` changes it"
            )
        record = AssetRecord(number, **asset_options.given_values(values))
        register.put(record)
    if as_json:
        output.print_json(as_row(record))
    else:
        output.say(f"asset {number} entered: {record.title}")


@asset.command(short_help="Change what the register says of a machine.")
@asset_options.number_argument
@asset_options.field_options
@click.option("--clear", multiple=True, type=click.Choice([*BY_NAME, "components"]), metavar="FIELD",
              help="Strike out what stands in this field; may be repeated.")  # fmt: skip
@options.archive_option
@options.config_option
@options.json_option
def edit(
    number: int, archive: Path, config: Config, as_json: bool, clear: tuple[str, ...], **values: Any
) -> None:
    """Change fields of asset NUMBER; those not named stay as they are.

    An asset that only skid.toml knows gets an entry of its own. --component replaces all components.

    \b
    Examples:
      skidwright asset edit 12 --target 17/15/12 --interval-h 168
      skidwright asset edit 12 --clear coldest_c
    """
    from skidwright.cli import output
    from skidwright.register import Register

    changes: dict[str, Any] = {name: getattr(AssetRecord(1), name) for name in clear}
    given = asset_options.given_values(values)
    both = sorted(set(changes) & set(given))
    if both:
        raise click.UsageError(f"--clear {both[0]}: a value is given for it as well")
    if not changes and not given:
        raise click.UsageError("nothing to change; name a field, such as --target 17/15/12")
    asset_options.known_asset(config, archive, number)
    with Register.open(archive, write=True) as register:
        record = dataclasses.replace(register.asset(number) or AssetRecord(number), **changes, **given)
        register.put(record)
    if as_json:
        output.print_json(as_row(record))
    else:
        output.say(f"asset {number} changed: {', '.join([*given, *changes])}")


@asset.command("list", short_help="All machines.")
@options.archive_option
@options.config_option
@options.json_option
def list_assets(archive: Path, config: Config, as_json: bool) -> None:
    """All machines that the register and skid.toml know.

    \b
    Examples:
      skidwright asset list
      skidwright asset list --json | jq '.assets[] | select(.target_iso4406 == null) | .number'
    """
    from skidwright.cli import output

    known = asset_options.known(config, archive)
    if as_json:
        output.print_json({"assets": [as_row(record) for record in known.values()]})
        return
    rows = [
        (
            record.number,
            record.name,
            record.fluid,
            text_of(BY_NAME["target"], record.target),
            text_of(BY_NAME["water_limit_percent"], record.water_limit_percent),
            text_of(BY_NAME["interval_h"], record.interval_h),
            ", ".join(sorted(set(known.sources[record.number].values()))),
        )
        for record in known.values()
    ]
    output.print_table((">asset", "name", "fluid", "target", ">water %", ">interval h", "known from"), rows)


@asset.command(short_help="All that is known of a machine, and from where.")
@asset_options.number_argument
@options.archive_option
@options.config_option
@options.json_option
def show(number: int, archive: Path, config: Config, as_json: bool) -> None:
    """All that is known of asset NUMBER, where each figure comes from, and what was done to the machine.

    \b
    Examples:
      skidwright asset show 12
      skidwright asset show 12 --json
    """
    from skidwright.cli import output
    from skidwright.register import Register

    record = asset_options.known_asset(config, archive, number)
    sources = asset_options.known(config, archive).sources[number]
    with Register.open(archive) as register:
        events, papers = register.events(number), register.papers(number)
        receipts, costs = register.receipts(number), register.costs(number)
    if as_json:
        output.print_json({
            **as_row(record),
            "sources": sources,
            "events": [event_row(event) for event in events],
            "papers": [dataclasses.asdict(paper) for paper in papers],
            "receipts": [dataclasses.asdict(receipt) for receipt in receipts],
            "costs": [dataclasses.asdict(cost) for cost in costs],
        })  # fmt: skip
        return
    output.say(f"Asset {number}: {record.name}" if record.name else f"Asset {number}")
    rows = [
        (field.title, text_of(field, value), field.unit, sources[field.name])
        for field in FIELDS
        if (value := getattr(record, field.name)) not in (None, "")
    ]
    rows += [
        ("component", part.type if not part.note else f"{part.type}: {part.note}",
         "" if part.pressure_bar is None else f"at {part.pressure_bar:g} bar", "register")
        for part in record.components
    ]  # fmt: skip
    output.print_table(("field", "value", "unit", "from"), rows)
    if events:
        output.print_table(
            ("UTC", "what was done"), [(output.iso_ms(e.utc_ms), e.words) for e in events], "Maintenance"
        )
    for receipt in receipts:
        word = "accepted" if receipt.accepted else "refused"
        output.say(f"{output.iso_ms(receipt.utc_ms)}  fluid {word}: {receipt.fluid}")
    for paper in papers:
        output.say(f"{output.iso_ms(paper.utc_ms)}  {paper.kind} {paper.id} issued: {paper.path}")


@asset.command(short_help="Strike a machine out of the register.")
@asset_options.number_argument
@click.option("--yes", is_flag=True, help="Do it, with the maintenance and costs that were entered.")
@options.archive_option
def remove(number: int, yes: bool, archive: Path) -> None:
    """Strike asset NUMBER out of the register. Samples, papers and receipts stay; so does skid.toml.

    \b
    Examples:
      skidwright asset remove 12 --yes
    """
    from skidwright.cli import output
    from skidwright.register import Register

    with Register.open(archive, write=True) as register:
        record, events = register.asset(number), register.events(number)
        if record is not None and not yes:
            raise click.UsageError(
                f"asset {number} ({record.title}) has {counted(len(events), 'event')} of maintenance; "
                "give --yes to strike it out with them"
            )
        register.remove(number)
    output.say(f"asset {number} is struck out of the register, with {counted(len(events), 'event')}")


@asset.command(short_help="Enter what was done to a machine.")
@asset_options.number_argument
@click.argument("kind", type=click.Choice(list(EVENT_KINDS)))
@click.option("--text", default="", help="What was done, in a line.")
@click.option("--when", "utc_ms", type=asset_options.MomentDone(), help="When, in UTC.  [default: now]")
@click.option("--volume-l", type=Number(), help="Fluid that was topped up or changed, L.")
@click.option("--downtime-h", type=Number(), help="How long the machine stood, h.")
@click.option("--cost", type=Number(), help="What it cost, in the shop's own currency.")
@options.archive_option
@options.config_option
@options.json_option
def event(
    number: int,
    kind: str,
    text: str,
    utc_ms: int | None,
    volume_l: float | None,
    downtime_h: float | None,
    cost: float | None,
    archive: Path,
    config: Config,
    as_json: bool,
) -> None:
    """Enter what was done to asset NUMBER. A changed filter's day becomes the asset's `filter_fitted`.

    KIND is filter (changed), top-up, fluid (changed), repair, flush or other.

    \b
    Examples:
      skidwright asset event 12 filter --text "return line, 10 um"
      skidwright asset event 12 top-up --volume-l 20 --when 2026-03-03T09:30Z
    """
    from skidwright.cli import output
    from skidwright.register import Register

    asset_options.known_asset(config, archive, number)
    moment = asset_options.now_ms() if utc_ms is None else utc_ms
    entered = Event(number, moment, kind, text.strip(), volume_l, downtime_h, cost)
    with Register.open(archive, write=True) as register, register.transaction():
        register.ensure(number)
        entered = dataclasses.replace(entered, id=register.add_event(entered))
    if as_json:
        output.print_json(event_row(entered))
    else:
        output.say(f"asset {number}, {output.iso_ms(moment)}: {entered.words}")


def as_row(record: AssetRecord) -> dict[str, Any]:
    """An asset as a plain row for programs; None for what nobody said."""
    row: dict[str, Any] = {"number": record.number}
    for field in FIELDS:
        value = getattr(record, field.name)
        plain = value if isinstance(value, (int, float)) else text_of(field, value)
        row[field.title] = None if plain == "" else plain
    row["components"] = [dataclasses.asdict(part) for part in record.components]
    return row


def event_row(event: Event) -> dict[str, Any]:
    """An event as a plain row for programs."""
    from skidwright.cli import output

    return {**dataclasses.asdict(event), "utc": output.iso_ms(event.utc_ms), "words": event.words}


for command in (*asset_tables.commands, money.cost):
    asset.add_command(command)
