"""`skidwright payback`, and `asset cost`, which enters what it works with."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import asset_options, options
from skidwright.cli.options import Number
from skidwright.config import Config
from skidwright.errors import UnknownAsset

if TYPE_CHECKING:
    from skidwright.money import Assumption, Outcome, Spread
    from skidwright.register import CostRange


@click.command("cost", short_help="Enter a range of costs of a machine.")
@asset_options.number_argument
@click.argument("item")
@click.argument("low", type=Number())
@click.argument("likely", type=Number())
@click.argument("high", type=Number())
@options.archive_option
@options.config_option
def cost(
    number: int, item: str, low: float, likely: float, high: float, archive: Path, config: Config
) -> None:
    """Enter what ITEM costs for asset NUMBER, as lowest, likeliest and highest; `payback` works with it.

    Items: failures_per_year, downtime_h_per_failure, downtime_per_h, repair_per_failure, parts_per_year,
    fluid_l_per_year, fluid_per_l, energy_per_year, efficiency_lost, share_avoided, first_cost,
    running_per_year.

    \b
    Examples:
      skidwright asset cost 12 downtime_per_h 200 400 900
      skidwright asset cost 12 failures_per_year 0.2 0.5 1
    """
    from skidwright import money
    from skidwright.cli import output
    from skidwright.register import CostRange, Register

    entered = CostRange(item, low, likely, high, number)
    money.check(entered)
    asset_options.known_asset(config, archive, number)
    with Register.open(archive, write=True) as register, register.transaction():
        register.ensure(number)
        register.put_cost(entered)
    output.say(f"asset {number}: {item} {low:g} to {high:g}, likely {likely:g} {money.ITEMS[item].unit}")


@click.command(short_help="What cleaner fluid saves and when it has paid, as ranges.")
@click.option(
    "--asset", "number", type=click.IntRange(1, 65535), help="Asset whose costs the register holds."
)
@click.option(
    "--costs", type=click.Path(path_type=Path, dir_okay=False),
    help="TOML with ranges, item = [low, likely, high]; they win over the register's.",
)  # fmt: skip
@click.option(
    "--set", "given", type=(str, Number(), Number(), Number()), multiple=True, metavar="ITEM LOW LIKELY HIGH",
    help="A range, which wins over the others; may be repeated.",
)  # fmt: skip
@click.option("--shape", type=click.Choice(["triangular", "pert"]), default="triangular", show_default=True,
              help="How values spread within their ranges.")  # fmt: skip
@click.option(
    "--draws", type=click.IntRange(1000, 1_000_000), default=20_000, show_default=True, help="Draws."
)
@click.option(
    "--seed", type=click.IntRange(0, 2**63 - 1), default=1, show_default=True, help="Seed of the draws."
)
@options.archive_option
@options.config_option
@options.json_option
def payback(
    number: int | None,
    costs: Path | None,
    given: tuple[tuple[str, float, float, float], ...],
    shape: str,
    draws: int,
    seed: int,
    archive: Path,
    config: Config,
    as_json: bool,
) -> int:
    """What cleaner fluid saves a year and when it has paid for itself, as ranges, by simulation.

    Every assumption is printed with where it comes from. What nobody entered counts as 0, which makes the
    benefit smaller. `skidwright asset cost` enters ranges.

    \b
    Examples:
      skidwright payback --asset 12
      skidwright payback --costs ramp.toml --set share_avoided 0.1 0.2 0.4
      skidwright payback --asset 12 --shape pert --json

    Exit status 1: in half of the draws or more it never pays for itself.
    """
    from skidwright import money
    from skidwright.cli import output

    ranges = _ranges(number, costs, given, archive, config)
    if not ranges:
        raise UnknownAsset(
            "no costs to work with", f"asset {number}" if number is not None else "payback",
            "enter them with `skidwright asset cost`, or give --costs or --set",
        )  # fmt: skip
    used, missing = money.assumptions(ranges)
    found = money.simulate(used, missing, draws, seed, shape)
    if as_json:
        output.print_json({"asset": number, **dataclasses.asdict(found)})
    else:
        _say(found)
    return 0 if found.payback_years.p50 is not None else 1


def _ranges(
    number: int | None,
    costs: Path | None,
    given: tuple[tuple[str, float, float, float], ...],
    archive: Path,
    config: Config,
) -> dict[str, tuple[CostRange, str]]:
    from skidwright import money
    from skidwright.register import CostRange, Register

    ranges: dict[str, tuple[CostRange, str]] = {}
    if number is not None:
        asset_options.known_asset(config, archive, number)
        with Register.open(archive) as register:
            kept = register.costs(number)
        for entry in kept:
            money.check(entry)
            ranges[entry.item] = entry, f"entered for asset {number}"
    if costs is not None:
        ranges |= {entry.item: (entry, str(costs)) for entry in money.load(costs)}
    for item, low, likely, high in given:
        entry = CostRange(item, low, likely, high)
        money.check(entry)
        ranges[item] = entry, "--set"
    return ranges


def _say(found: Outcome) -> None:
    from skidwright.cli import output
    from skidwright.money import ITEMS

    output.print_table(
        ("assumption", ">low", ">likely", ">high", "unit", "from"),
        [_row(a) for a in found.assumptions if a.item not in found.missing],
        "Assumptions",
    )
    for a in found.assumptions:
        if a.source == ITEMS[a.item].mark:
            output.say(f"{a.item}: {a.source}")
    output.print_table(
        ("saved a year", ">5 %", ">median", ">95 %", ">mean"),
        [(name, *_cells(spread)) for name, spread in found.parts.items() if spread.p95],
        "What it saves, in your money",
    )
    years = found.payback_years
    output.say(f"benefit a year  {_range(found.benefit_per_year)} (9 draws of 10), after the running costs")
    output.say(f"payback         {_range(years, 'years')} (9 draws of 10)")
    output.say(
        f"chance          {100 * found.pays:.0f} % that it pays at all, "
        f"{100 * found.pays_within_5_years:.0f} % within 5 years"
    )
    if found.drivers:
        strongest = ", ".join(f"{name} ({r:+.2f})" for name, r in list(found.drivers.items())[:3])
        output.say(f"most depends on {strongest}: find these out first (rank correlation)")
    if found.missing:
        output.say(f"taken as 0, for nobody entered it: {', '.join(found.missing)}")
    output.say(
        f"{found.draws:,} draws, {found.shape}, seed {found.seed}; each assumption drawn by itself; "
        "undiscounted"
    )


def _row(a: Assumption) -> tuple[Any, ...]:
    from skidwright.money import ITEMS

    item = ITEMS[a.item]
    source = "usual, see below" if a.source == item.mark else a.source
    return a.item, f"{a.low:g}", f"{a.likely:g}", f"{a.high:g}", item.unit, source


def _cells(spread: Spread) -> list[str]:
    return ["never" if v is None else f"{v:.3g}" if v < 1000 else f"{v:,.0f}"
            for v in (spread.p5, spread.p50, spread.p95, spread.mean)]  # fmt: skip


def _range(spread: Spread, unit: str = "") -> str:
    low, middle, high, _ = _cells(spread)
    if low == middle == high:
        return middle if middle == "never" else f"{middle} {unit}".rstrip()
    return f"{middle} {unit}".replace("never " + unit, "never").rstrip() + f", from {low} to {high}"
