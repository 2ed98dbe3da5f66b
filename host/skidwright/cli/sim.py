"""`skidwright sim`: a virtual skid at a port of this machine."""

import time
from pathlib import Path

import click


@click.command(short_help="Run a virtual skid that offers a port like a board's.")
@click.option(
    "--scenario",
    default="quick",
    show_default=True,
    help="A scenario file, or the name of one that comes along.",
)
@click.option("--list", "show", is_flag=True, help="List the scenarios that come along.")
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31),
    default=None,
    help="Seed of the plant's chance.  [default: the scenario's]",
)
@click.option(
    "--realtime", is_flag=True, help="Begin at the scenario's start and follow the clock on the wall."
)
@click.option(
    "--until", default=None, help='Run fast up to this time of the scenario ("h:mm").  [default: its end]'
)
@click.option("--blank", is_flag=True, help="A board with MicroPython and nothing else, to try `install` on.")
@click.option("--board", type=click.Choice(["micropython", "cpython"]), default=None,
              help="What runs the firmware.  [default: MicroPython where there is one]")  # fmt: skip
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="Where flash and truth are kept.  [default: a new temporary folder]")  # fmt: skip
@click.option("--exit", "leave", is_flag=True, help="End after running fast, instead of staying at the port.")
def sim(
    scenario: str,
    show: bool,
    seed: int | None,
    realtime: bool,
    until: str | None,
    blank: bool,
    board: str | None,
    folder: Path | None,
    leave: bool,
) -> None:
    """Run a virtual skid: the real firmware before a model of pump, line, fluid and sensors.

    It runs the scenario as fast as it can, then stays at its port in real time, like a board that was just
    plugged in, until Ctrl-C. With --realtime it is at the port from the start. Other commands (and
    mpremote) take that port. How to write a scenario: docs/scenarios.md.

    \b
    Examples:
      skidwright sim
      skidwright sim --scenario ferry --until 11:00
      skidwright sim --scenario my_case.toml --realtime
    """
    import tempfile

    from skidwright.cli import output
    from skidwright.sim import scenario as scenarios
    from skidwright.sim.runner import VirtualSkid

    if show:
        for path in sorted(scenarios.PACKAGED.glob("*.toml")):
            output.say(f"{path.stem:14} {scenarios.load(path).title}")
        return
    chosen = scenarios.load(scenario)
    end_s = chosen.duration_s if until is None else scenarios.seconds(until, "--until")
    if end_s > chosen.duration_s:
        raise click.UsageError(f"--until {until}: {chosen.title} ends at {_clock(chosen.duration_s)}")
    where = folder or Path(tempfile.mkdtemp(prefix="skidwright-sim-"))
    with VirtualSkid(chosen, where, seed, realtime=realtime, blank=blank, python_board=board or "") as skid:
        output.say(f"{chosen.title}; firmware under {skid.python_board}; files in {where}")
        if not realtime and not blank:
            from skidwright.cli.progress import steps

            with steps() as step, step("running the scenario", end_s) as advance:
                skid.run_until(end_s, advance)
        if leave:
            return
        if not realtime:
            skid.go_live()
        output.say(f"port: {skid.port}   (Ctrl-C ends)")
        _stay()


def _clock(seconds: float) -> str:
    """Seconds of a scenario as its files write them, "h:mm"."""
    return f"{int(seconds) // 3600}:{int(seconds) // 60 % 60:02d}"


def _stay() -> None:
    """Wait for Ctrl-C, which is the usual end here and no error."""
    try:
        while True:
            time.sleep(3600)
    except KeyboardInterrupt:
        return
