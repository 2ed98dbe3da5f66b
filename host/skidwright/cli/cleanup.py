"""skidwright cleanup: start a clean-up, follow it, end it, and judge one out of the archive."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options, pump_state, selection
from skidwright.cli.options import Number
from skidwright.config import Config
from skidwright.errors import LinkError, PortError, PumpMayRun, SkidwrightError

if TYPE_CHECKING:
    from skidwright.link.session import Session

# After a sample the log is pulled and fitted again, but not more often than this.
_FIT_S = 60.0


def attach(port: str, asset: int | None, archive: Path, config: Callable[[], Config], as_json: bool,
           given: dict[str, Any]) -> int:  # fmt: skip
    """Follow the run that goes on at `port`, of `asset` when one is named. The exit status.

    Raises UsageError when none goes on, or one of another asset.
    """
    from skidwright.link.session import Session

    with Session.open(port) as session:
        session.hello()
        run = session.status().get("cleanup", {})
        if not run.get("running"):
            raise click.UsageError("--follow: no clean-up is running; start one without --follow")
        running = int(run.get("asset", 0))
        if asset not in (None, running):
            raise click.UsageError(
                f"--asset {asset}: the clean-up that is running is of asset {running}; leave --asset out, or "
                f"give --asset {running}"
            )
        click.echo(f"following the clean-up of asset {running}", err=True)
        return follow(session, running, archive, config, as_json, given)


def follow(session: Session, asset: int, archive: Path, config: Callable[[], Config], as_json: bool,
           given: dict[str, Any]) -> int:  # fmt: skip
    """Look until the run has ended, the looks are over, or Ctrl-C; then judge it. The exit status."""
    from skidwright.cli import cleanup_view
    from skidwright.link.pump import HARDWARE_STOP

    pulled = _Pulled(session, asset, archive, config, given)
    how = 0
    try:
        how = _look(session, pulled, given, as_json)
    except KeyboardInterrupt:
        click.echo(
            "left; the board goes on by itself. Follow it with --follow, end it with --stop.", err=True
        )
    except (LinkError, PortError) as lost:
        raise PumpMayRun(
            f"{lost.what}; the clean-up goes on by itself: the pump may be running",
            lost.where,
            f"`skidwright cleanup {session.where} --stop` ends it; without the board, {HARDWARE_STOP}",
        ) from None
    judged = pulled.judged() if given["picture"] is not None or as_json else None
    if pulled.problem:
        click.echo(f"note: the archive could not be brought up to date: {pulled.problem}", err=True)
        return 1
    if judged is None:
        return 0 if how == 1 else 1
    run, stands = judged
    return cleanup_view.show(run, stands, given["picture"], as_json)


class _Pulled:
    """The run as it stands in the archive, pulled anew when asked. `problem`: why that failed, "" if not."""

    def __init__(self, session: Session, asset: int, archive: Path, config: Callable[[], Config],
                 given: dict[str, Any]) -> None:  # fmt: skip
        self.problem = ""
        self._session = session
        self._asset = asset
        self._archive = archive
        self._config = config
        self._given = given

    def judged(self) -> Any:
        """Pull and judge; None when that is not possible. Raises PortError, LinkError."""
        from skidwright.archive import folder as archives
        from skidwright.archive import pull as pulling
        from skidwright.cli import app, cleanup_view
        from skidwright.log import seal as log_keys
        from skidwright.register import thresholds_today

        try:
            known = self._given["keys"] or log_keys.of(self._session.hello().device)
            place = archives.Archive.create(self._archive)
            config = self._config()
            thresholds = thresholds_today(config, self._archive)
            pulling.pull(self._session, place, key=known[-1] if known else None, thresholds=thresholds)
            found = cleanup_view.last_run(self._archive, config, self._asset, self._given)
        except (PortError, LinkError):
            raise
        except (SkidwrightError, OSError, MemoryError) as error:
            if not self.problem:
                click.echo(f"note: no forecast, the board is watched on: {app.one_line(error)}", err=True)
            self.problem = app.one_line(error)
            return None
        self.problem = ""
        return found


def _look(session: Session, pulled: _Pulled, given: dict[str, Any], as_json: bool) -> int:
    """Look again and again until the run has ended or the looks are over; how it ended, 0 while it runs."""
    from skidwright.cleanup.runs import end_text
    from skidwright.cli import cleanup_view

    seen, fitted_at, looks, forecast, how = -1, -_FIT_S, 0, "", 0
    while given["times"] is None or looks < given["times"]:
        if looks:
            time.sleep(given["every"])
        looks += 1
        run = session.status().get("cleanup", {})
        running = bool(run.get("running"))
        how = 0 if running else int(run.get("ended", 0))
        samples = int(run.get("samples", 0))
        if running and samples != seen and samples and time.monotonic() - fitted_at >= _FIT_S:
            fitted_at = time.monotonic()
            judged = pulled.judged()
            forecast = "" if judged is None else cleanup_view.summary(judged[0])
        if not as_json and (samples != seen or not running):
            wanted = session.settings()["cleanup_samples"]
            line = (
                f"{cleanup_view.span(int(run.get('run_s', 0)))}: {samples} samples, "
                f"{run.get('valid', 0)} valid, "
                f"{run.get('in_row', 0)} of {wanted} in a row on target, output "
                f"{'on' if run.get('output') else 'off'}"
            )
            # A forecast is of a run that goes on.
            click.echo(f"{line}. {forecast if running else ''}".rstrip())
        seen = samples
        if not running:
            pulled.judged()
            if not as_json:
                click.echo(f"cleanup: {end_text(how)}; output {'on' if run.get('output') else 'off'}")
            break
    return how


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
        return follow(session, asset, archive, lambda: config, as_json, given)


def _start(session: Any, asset: int, record: Any, config: Config, given: dict[str, Any]) -> None:
    """Put the targets on the board, say the caution, ask, start. Raises UsageError, Refused."""
    from skidwright.cli import options
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
        options.ask("Start the clean-up?")
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
    if not options.agreed("Start the clean-up?", given["yes"]):
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
    from skidwright.formulas import iso4406

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
    cls=pump_state.StopFirst, short_help="Filter until the fluid is proven clean; judge how that went."
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
        click.echo(pump_state.clean_up(port))
        if given["follow"]:
            click.echo("note: --follow does nothing with --stop", err=True)
        return 0
    from skidwright.cli import cleanup_view

    picture = given["picture"]
    if picture is not None and picture.suffix not in (".svg", ".png"):
        raise click.UsageError(f"--picture {picture}: the name must end in .svg or .png")
    if given["follow"]:
        if port is None:
            raise click.UsageError("--follow needs a PORT")
        return attach(port, asset, archive, lambda: options.found_config(config), as_json, given)
    if asset is None:
        raise click.UsageError("--asset is missing: its number is needed")
    found = options.found_config(config)
    if port is None:
        judged, stands = cleanup_view.last_run(archive, found, asset, given)
        return cleanup_view.show(judged, stands, picture, as_json)
    return run(port, asset, archive, found, as_json, given)
