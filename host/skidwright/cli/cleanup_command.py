"""`skidwright cleanup`: start a clean-up run and follow it, or judge the last one from the archive."""

import os
from pathlib import Path
from typing import Any

import click

from skidwright.cli import options, selection, stopping
from skidwright.cli.numbers import Number

# Numbers that are not a whole code are refused when the command line is read.
_MOST = 28


def _code(_ctx: click.Context, _param: click.Parameter, value: str | None) -> tuple[int, int, int] | None:
    if value is None:
        return None
    parts = value.split("/")
    if len(parts) != 3 or not all(p.isdigit() and 1 <= int(p) <= _MOST for p in parts):
        raise click.BadParameter(f"{value!r} is no code of three scale numbers, such as 16/14/11")
    a, b, c = (int(p) for p in parts)
    if not a >= b >= c:
        raise click.BadParameter(f"{value}: a scale number may not be above the one before it")
    return a, b, c


@click.command(
    cls=stopping.StopFirst, short_help="Filter until the fluid is proven clean; judge how that went."
)
@click.argument("port", required=False)
@click.option("--asset", type=click.IntRange(1, 65535), help="Asset number; --stop and --follow need none.")
@click.option(
    "--target", callback=_code, metavar="CODE",
    help="Code to reach, such as 16/14/11.  [default: the asset's own]",
)  # fmt: skip
@click.option(
    "--water", type=Number(1, 100), metavar="PERCENT",
    help="Water saturation to reach.  [default: the asset's own limit; only with --target: none]",
)  # fmt: skip
@click.option("--samples", type=click.IntRange(1, 20), default=3, show_default=True, help="So many in a row.")
@click.option("--hours", type=Number(0.2, 336), default=24.0, show_default=True, help="Longest time.")
@click.option(
    "--stall", type=Number(0.2, 336), default=4.0, show_default=True, metavar="HOURS",
    help="End it when nothing has become better for so long.",
)  # fmt: skip
@click.option(
    "--output", type=click.IntRange(1, 8), default=None,
    help="Selector output of the cart's relay.  [default: the board's setting cleanup_output]",
)  # fmt: skip
@click.option("--stop", is_flag=True, help="Stop the run that is going on; the output goes off.")
@click.option("--follow", is_flag=True, help="Follow a run that is going on; start nothing.")
@click.option("--yes", is_flag=True, help="Start without asking.")
@click.option("--every", type=Number(0.2, 3600), default=5.0, show_default=True,
              help="Seconds between looks.")  # fmt: skip
@click.option("--times", type=click.IntRange(1), default=None, help="Leave off after so many looks.")
@click.option("--tank", type=Number(0.01, 1e7), metavar="LITRES",
              help="Fluid in the tank.  [default: the register's volume_l]")  # fmt: skip
@click.option("--flow", type=Number(0.01, 1e5), metavar="L_MIN", help="Flow through the cart's filter.")
@click.option("--picture", type=click.Path(path_type=Path, dir_okay=False), help="Draw it, as .svg or .png.")
@options.archive_option
@options.config_path_option
@selection.device_option
@options.key_option
@options.json_option
def cleanup(
    port: str | None, asset: int | None, archive: Path, config: Path | None, as_json: bool, **given: Any
) -> int:
    """Run a clean-up of one asset on the skid at PORT and follow it; without PORT judge the last run in the
    archive.

    The board samples the asset again and again and switches an output off, which drives a filter cart's or
    dryer's pump, when so many valid samples in a row are at or below the target and the water limit; also on
    any trip, at the longest time, without progress, or when power fails. Ctrl-C leaves the run going: follow
    it again with --follow, end it with --stop: that goes to the board whatever is wrong with skid.toml,
    archive or the other options. The output is no safety function: docs/cleanup.md.

    Shown are, for each quantity: latest, target, the floor that the fitted decay goes to, when it will be on
    target, and with --tank and --flow the effective filtration ratio, all with 95 % limits.

    \b
    Examples:
      skidwright cleanup /dev/ttyACM0 --asset 2 --target 16/14/11 --water 30
      skidwright cleanup /dev/ttyACM0 --stop
      skidwright cleanup --asset 2 --tank 400 --flow 15 --picture ramp.png

    Exit status 1: not proven clean, not yet, or records since the run's begin that cannot be read.
    """
    if given["stop"] or given["follow"]:
        # Without a PORT other uses of this command judge the archive.
        port = port or os.environ.get("SKIDWRIGHT_PORT") or None
    if given["stop"]:
        if port is None:
            raise click.UsageError("--stop needs a PORT")
        click.echo(stopping.clean_up(port))
        if given["follow"]:
            click.echo("note: --follow does nothing with --stop", err=True)
        return 0
    from skidwright.cli import cleanup_follow, cleanup_live, cleanup_view

    picture = given["picture"]
    if picture is not None and picture.suffix not in (".svg", ".png"):
        raise click.UsageError(f"--picture {picture}: the name must end in .svg or .png")
    if given["follow"]:
        if port is None:
            raise click.UsageError("--follow needs a PORT")
        return cleanup_follow.attach(
            port, asset, archive, lambda: options.found_config(config), as_json, given
        )
    if asset is None:
        raise click.UsageError("--asset is missing: its number is needed")
    found = options.found_config(config)
    if port is None:
        judged, stands = cleanup_view.last_run(archive, found, asset, given)
        return cleanup_view.show(judged, stands, picture, as_json)
    return cleanup_live.run(port, asset, archive, found, as_json, given)
