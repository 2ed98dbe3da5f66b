"""Commands for those who build a rig: `size` and `wiring`."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from skidwright.cli import output
from skidwright.cli.options import json_option
from skidwright.cli.output import print_json, print_table, say
from skidwright.errors import RigError

Command = TypeVar("Command", bound=Callable[..., Any])

CAUTION = (
    "Caution: a line under pressure can inject fluid through the skin, an emergency for a surgeon even "
    "when it looks small. Never feel for a leak. Relieve, lock out, let cool before opening; fit a rated "
    "reducer and a relief valve. Local codes and licensed practice come first. See docs/safety.md."
)


def _hardware_option(command: Command) -> Command:
    return click.option(
        "--hardware",
        type=click.Path(path_type=Path, file_okay=False),
        help="Directory with wiring.toml and its fellows.  [default: ./hardware, else what comes along]",
    )(command)


def _hardware(given: Path | None) -> Path:
    from skidwright.rig.products import hardware_directory

    return hardware_directory(given)


def _figure(value: float) -> str:
    return f"{value:.4g}" if abs(value) < 100000 else f"{value:.0f}"


@click.command()
@click.argument("rig", required=False, type=click.Path(path_type=Path))
@click.option("--example", is_flag=True, help="Print a rig.toml to start from, and nothing else.")
@click.option("--picture", type=click.Path(path_type=Path), help="Write a picture: .svg, .png or .pdf.")
@json_option
def size(rig: Path | None, example: bool, picture: Path | None, as_json: bool) -> int:
    """Whether the plumbing of RIG (a rig.toml) works out, cold and hot.

    Exit status 1 when something falls short; each shortfall is a sentence with its remedy.
    """
    from skidwright.rig.products import example_rig
    from skidwright.rig.sizing.assessment import assess
    from skidwright.rig.sizing.picture import draw
    from skidwright.rig.sizing.rig_file import load

    if example:
        say(example_rig().rstrip("\n"))
        return 0
    if rig is None:
        raise click.UsageError("no RIG given; `skidwright size --example > rig.toml` makes one to start from")
    loaded = load(rig)
    found = assess(loaded)
    if picture is not None:
        draw(loaded, found, picture)
    if as_json:
        print_json(
            {
                "rig": found.name,
                "figures": [dataclasses.asdict(row) for row in found.rows],
                "coldest_c": found.coldest_c,
                "coldest_oil_c": found.coldest_oil_c,
                "shortfalls": list(found.shortfalls),
                "advice": list(found.advice),
                "settings": found.settings,
            }
        )
        return 1 if found.shortfalls else 0
    f = loaded.fluid
    columns = ("figure", "unit", f">{f.coldest_c:g} degC", f">{f.hottest_c:g} degC", "limit", "")
    print_table(
        columns,
        [
            (r.name, r.unit, _figure(r.cold), _figure(r.hot), r.limit, "" if r.ok else "falls short")
            for r in found.rows
        ],
        title=found.name,
    )
    coldest = found.coldest_oil_c
    if coldest is None:
        say("It cannot sample this oil at any temperature.")
    else:
        first = max(found.coldest_c, key=lambda name: found.coldest_c[name] or -300.0)
        say(f"Coldest oil it can sample: {coldest:.0f} degC; what stops it first is {first}.")
    say("Settings that follow, to be copied below [board] in skid.toml:")
    for name, value in found.settings.items():
        say(f"{name} = {value}")
    for text in found.advice:
        say(f"Note: {text}")
    for text in found.shortfalls:
        say(f"Shortfall: {text}")
    if not found.shortfalls:
        say("Nothing falls short.")
    if picture is not None:
        say(f"Picture: {picture}")
    say(CAUTION)
    return 1 if found.shortfalls else 0


@click.command()
@click.option(
    "--build", default="recommended", show_default=True, help="smallest, recommended or everything."
)
@_hardware_option
@json_option
def bill(build: str, hardware: Path | None, as_json: bool) -> int:
    """What to buy for a build, by rating, with what may replace it, and what it costs.

    \b
    Example:
      skidwright bill --build smallest
    """
    from skidwright.rig.bill import BUILDS, GROUPS, load, totals

    if build not in BUILDS:
        raise click.UsageError(f"--build is one of {', '.join(BUILDS)}")
    items = [item for item in load(_hardware(hardware)) if item.quantity(build)]
    sums = [t for t in totals(items) if t.build == build]
    if as_json:
        print_json(
            {
                "build": build,
                "for": BUILDS[build],
                "items": [dataclasses.asdict(item) | {"quantity": item.quantity(build)} for item in items],
                "totals": [dataclasses.asdict(t) for t in sums],
            }
        )
        return 0
    for group, title in GROUPS.items():
        print_table(
            ("item", "how many", "what, by rating", "instead", "not instead", ">EUR each"),
            [
                (i.item, f"{i.quantity(build):g} {i.unit}", f"{i.part}: {i.rating}" if i.rating else i.part,
                 i.may_be_replaced_by, i.do_not_substitute, f"{i.each_low_eur:g} to {i.each_high_eur:g}")
                for i in items if i.group == group
            ],
            title=title,
        )  # fmt: skip
    for t in sums:
        say(f"{GROUPS.get(t.group, 'Together')}: {t.low_eur:.0f} to {t.high_eur:.0f} EUR, {t.lines} lines.")
    say(f"The {build} build: {BUILDS[build]}. Prices are for single pieces, without tax, "
        f"{' and '.join(sorted({i.priced for i in items}))}; get offers before you decide.")  # fmt: skip
    say(output.WIRING)
    return 0


@click.group()
def wiring() -> None:
    """Check the wiring, compute the front end, make pin table, drawings and netlists."""


@wiring.command()
@_hardware_option
@json_option
def check(hardware: Path | None, as_json: bool) -> int:
    """Check pins, levels, supplies, terminals and circuit. Exit status 1 when something is wrong."""
    from skidwright.rig.circuit.checks import load
    from skidwright.rig.wiring.supplies import budget

    files = load(_hardware(hardware))
    loaded, problems = files.wiring, files.problems()
    try:
        rails = budget(loaded)
    except ValueError:
        rails = []
    if as_json:
        print_json(
            {
                "problems": [dataclasses.asdict(p) for p in problems],
                "supplies": [
                    {"name": r.supply.name, "ma": r.total_ma, "limit_ma": r.supply.limit_ma} for r in rails
                ],
            }
        )
        return 1 if problems else 0
    print_table(
        ("supply", "meaning", ">mA", ">limit mA", ">used"),
        [
            (r.supply.name, r.supply.title, f"{r.total_ma:.0f}", f"{r.supply.limit_ma:.0f}", f"{r.share:.0%}")
            for r in rails
        ],
    )
    for p in problems:
        say(str(p))
    say(f"{len(problems)} problems" if problems else f"No problems with {len(loaded.signals)} signals.")
    say(output.WIRING)
    return 1 if problems else 0


@wiring.command()
@_hardware_option
def table(hardware: Path | None) -> int:
    """Print the pin table."""
    from skidwright.rig.wiring.model import load
    from skidwright.rig.wiring.pin_table import pin_rows

    rows = pin_rows(load(_hardware(hardware) / "wiring.toml"))
    print_table(("GPIO", ">board pin", "signal", "function", "resistor", "terminal", "meaning"), rows)
    say(output.WIRING)
    return 0


@wiring.command("front-end")
@_hardware_option
@json_option
def front_end(hardware: Path | None, as_json: bool) -> int:
    """Compute the front end over its tolerances. Exit status 1 when a limit is not kept."""
    from skidwright.rig.front_end.calculation import calculate
    from skidwright.rig.front_end.parts import load

    blocks = calculate(load(_hardware(hardware) / "front_end.toml"))
    short = [q.shortfall() for quantities in blocks.values() for q in quantities if not q.ok]
    if as_json:
        print_json(
            {
                "blocks": {t: [dataclasses.asdict(q) | {"ok": q.ok} for q in qs] for t, qs in blocks.items()},
                "shortfalls": short,
            }
        )
        return 1 if short else 0
    for title, quantities in blocks.items():
        rows = [
            (
                q.name,
                q.unit,
                _figure(q.low),
                _figure(q.nominal),
                _figure(q.high),
                _limit(q.at_least, q.at_most),
                q.source,
            )
            for q in quantities
        ]
        print_table(("quantity", "unit", ">lowest", ">nominal", ">highest", "limit", "by"), rows, title=title)
    for text in short:
        say(f"Shortfall: {text}")
    if not short:
        say("Every limit is kept in the worst case.")
    return 1 if short else 0


@wiring.command("stop-chain")
@_hardware_option
@json_option
def stop_chain(hardware: Path | None, as_json: bool) -> int:
    """Wire the skid by the terminal table and nothing else, and try the stop chain.

    RESET must be needed to start, each stop must cut the pump, each broken or earthed wire must be safe. By
    logic, and in time where ngspice is installed. What the chain cannot see is listed. Exit status 1 when it
    is not safe.
    """
    from skidwright.rig.circuit import stop_proof, stop_simulation
    from skidwright.rig.circuit.as_wired import build
    from skidwright.rig.circuit.checks import load
    from skidwright.rig.front_end import netlists

    files = load(_hardware(hardware))
    skid = build(files.circuit, files.wiring.with_options(frozenset()))
    problems = files.problems()
    steps = stop_proof.run(skid)
    unseen = stop_proof.cannot_see(skid)
    cuts: list[stop_simulation.Cut] = []
    if netlists.available() and not problems:
        cuts = stop_simulation.run(skid, files.front_end)[1]
        problems += stop_simulation.problems(cuts)
    if as_json:
        print_json(
            {
                "problems": [str(p) for p in problems],
                "steps": [dataclasses.asdict(s) for s in steps],
                "cuts": [dataclasses.asdict(c) for c in cuts],
                "cannot_see": unseen,
            }
        )
        return 1 if problems else 0
    print_table(
        ("step", "K1", "pump's supply"),
        [(s.name, "in" if s.k1_in else "out", "on" if s.pump_live else "off") for s in steps],
    )
    for c in cuts:
        say(f"{c.step}: supply off after {c.supply_ms:.1f} ms, current gone after {c.current_ms:.1f} ms.")
    if not cuts:
        say("No times: ngspice is not installed (Debian: apt install ngspice).")
    say("It cannot see: " + "; ".join(unseen) + ".")
    for p in problems:
        say(str(p))
    say(
        f"{len(problems)} problems"
        if problems
        else f"Safe with each of {len(skid.wires)} wires broken or on earth."
    )
    say(output.WIRING)
    return 1 if problems else 0


def _limit(at_least: float | None, at_most: float | None) -> str:
    parts = [
        f"{word} {_figure(v)}" for word, v in (("at least", at_least), ("at most", at_most)) if v is not None
    ]
    return ", ".join(parts)


@wiring.command()
@click.argument("root", default=".", type=click.Path(path_type=Path, file_okay=False))
def make(root: Path) -> int:
    """Make pin table, tables of the docs, drawings and netlists from the files in ROOT/hardware.

    For the project's own tree; nothing is written when the wiring has a problem.
    """
    from skidwright.rig.circuit.checks import load
    from skidwright.rig.products import write_products

    problems = load(root / "hardware").problems()
    if problems:
        raise RigError(f"{len(problems)} problems in the wiring, the first: {problems[0]}")
    for path in write_products(root):
        say(f"wrote {path}")
    return 0


commands = [size, wiring]
