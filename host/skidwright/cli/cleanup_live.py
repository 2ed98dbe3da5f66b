"""The part of `skidwright cleanup` that talks to a board: start a run."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from skidwright.cli import cleanup_follow
from skidwright.config import Config

CAUTION = (
    "A second pump, the filter cart's or dryer's, will be switched on by the board and off again later, by "
    "itself. Hands off both pumps and all fittings, stop chain within reach, return line secured. The output "
    "is no safety function: the cart needs a stop, overload protection and a motor starter of its own, put "
    "in by a licensed electrician where it is mains. A line under pressure can inject fluid through the "
    "skin. See docs/cleanup.md."
)


def run(port: str, asset: int, archive: Path, config: Config, as_json: bool, given: dict[str, Any]) -> int:
    """Start a run and follow it; `given` are the options. The exit status, see `skidwright cleanup -h`."""
    from skidwright.link.session import Session
    from skidwright.register import known_assets

    known = known_assets(config, archive)
    with Session.open(port) as session:
        session.hello()
        _start(session, asset, known.asset(asset), known.config, given)
        return cleanup_follow.follow(session, asset, archive, lambda: config, as_json, given)


def _start(session: Any, asset: int, record: Any, config: Config, given: dict[str, Any]) -> None:
    """Put the targets on the board, say the caution, ask, start. Raises UsageError, Refused."""
    from skidwright.cli import consent
    from skidwright.link import pump

    target = given["target"] or record.target
    water = given["water"]
    if water is None and given["target"] is None:
        water = record.water_limit_percent
    if target is None and water is None:
        raise click.UsageError(f"asset {asset} has no target: give --target, or set one with `asset edit`")
    settings = session.settings()
    if "cleanup_4um" not in settings:
        raise click.UsageError("the firmware on the board knows no clean-up: run `skidwright install` again")
    if asset not in settings["assets"]:
        have = ", ".join(map(str, settings["assets"]))
        raise click.UsageError(f"--asset {asset}: the board samples {have}; see its setting assets")
    output = settings["cleanup_output"] if given["output"] is None else given["output"]
    if 0 < output <= len(settings["assets"]):
        raise click.UsageError(f"--output {output}: that output opens the sampling valve of an asset")
    if session.status().get("cleanup", {}).get("running"):
        raise click.UsageError("a clean-up is running already: --follow it, or end it with --stop")
    if not given["yes"]:
        consent.ask("Start the clean-up?")
    values = dict(zip(("cleanup_4um", "cleanup_6um", "cleanup_14um"), target or (0, 0, 0), strict=True))
    values |= {
        "cleanup_water_cpct": 0 if water is None else round(water * 100),
        "cleanup_samples": given["samples"],
        "cleanup_limit_s": round(given["hours"] * 3600),
        "cleanup_stall_s": round(given["stall"] * 3600),
        "cleanup_output": output,
    }
    code = "/".join(map(str, target)) if target else "no code"
    click.echo(
        f"asset {asset}: to {code}{'' if water is None else f' and {water:g} % of saturation'}, "
        f"{given['samples']} samples in a row, {given['hours']:g} h at the most; "
        + (f"output {output} goes on" if output else "no output is set: nothing but the judgement"),
        err=True,
    )
    for line in [*_doubts(settings, config, target), *when_cold(record.coldest_c, water)]:
        click.echo(f"note: {line}", err=True)
    click.echo(CAUTION, err=True)
    if not consent.agreed("Start the clean-up?", given["yes"]):
        raise click.Abort
    session.put_settings({name: value for name, value in values.items() if settings[name] != value})
    pump.drive(session, f"cleanup start {asset}")


def when_cold(coldest_c: float | None, water: float | None) -> list[str]:
    """What a water limit on the board leaves open: it knows neither the fluid nor how cold it gets."""
    if water is None or water >= 100:
        return []
    if coldest_c is None:
        return ["no coldest temperature is known for this asset: water is judged at the fluid's temperature"]
    return [
        f"the board judges water at the fluid's temperature; what it comes to at {coldest_c:g} degC, the "
        "coldest it gets, `skidwright assess` and a certificate say, so choose --water low enough"
    ]


def _doubts(settings: dict[str, Any], config: Config, target: tuple[int, int, int] | None) -> list[str]:
    """What the board cannot know and the checks will say afterwards."""
    from skidwright.trade import iso4406

    limits = config.limits()
    found = []
    line_ul = limits.line_volume_ul or settings["line_volume_ul"]
    if settings["purge_volume_ul"] < limits.purge_least_volumes * line_ul:
        found.append("purge_volume_ul is below three line volumes: the checks will doubt every sample")
    if target and limits.sensing_volume_ml * iso4406.UPPER_PER_ML[target[0]] > 0.0038:
        found.append("at this target coincidence hides more than the board allows for; judge by `check`")
    import datetime

    due = settings.get("calibration_due_day", 0)
    today = (datetime.datetime.now(datetime.UTC).date() - datetime.date(2000, 1, 1)).days
    if due and today > due:
        found.append("the counter's calibration has run out: the checks will doubt every sample")
    return found
