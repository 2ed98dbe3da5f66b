"""`skidwright tune`: step test, model, gains, margins; on a skid or from a trace."""

from __future__ import annotations

import datetime
from pathlib import Path

import click

from skidwright.cli import options
from skidwright.cli.numbers import Number


@click.command(short_help="Identify pump and flow loop, propose and verify controller gains.")
@click.argument("port", required=False)
@click.option("--from-trace", type=click.Path(path_type=Path, dir_okay=False),
              help="Work on a CSV trace of any rig instead of a skid.")  # fmt: skip
@click.option("--rehearse", is_flag=True,
              help="Without hardware: tune the virtual skid, then disturb it for an hour.")  # fmt: skip
@click.option("--closed-loop-s", type=Number(), default=None,
              help="Wanted closed-loop time constant.  [default: the loop's dead time]")  # fmt: skip
@click.option("--present", type=(int, int), default=None, metavar="GAIN INTEGRAL",
              help="Present gains to compare with: gain_ppm_per_ul_s and integral_ms.")  # fmt: skip
@click.option("--longest-s", type=Number(60, 1800), default=300.0, show_default=True,
              help="Longest step test on a skid.")  # fmt: skip
@click.option("--propose-only", is_flag=True, help="Change nothing on the skid.")
@click.option("--yes", is_flag=True, help="Start the pump and write the gains without asking.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default=None,
              help="Folder for file, trace, pictures.  [default with a skid: tuning-DATE-TIME]")  # fmt: skip
@click.option("--pictures", type=click.Choice(["svg", "png"]), default="svg", show_default=True,
              help="Format of the pictures.")  # fmt: skip
@options.json_option
def tune(
    port: str | None,
    from_trace: Path | None,
    rehearse: bool,
    closed_loop_s: float | None,
    present: tuple[int, int] | None,
    longest_s: float,
    propose_only: bool,
    yes: bool,
    out: Path | None,
    pictures: str,
    as_json: bool,
) -> int:
    """Find the controller gains for the pump and flow meter of the skid at PORT, or of a trace.

    On a skid: brings flow into its band, steps the duty up and down around it until the model is sure
    enough, proposes gains with their margins, writes them after you have agreed, verifies them with a
    set-point step. The interlocks watch as ever. Everything goes into a folder: tuning.json, trace.csv,
    pictures. docs/tuning.md tells more, and what a trace must look like.

    \b
    Examples:
      skidwright tune /dev/ttyACM0
      skidwright tune --from-trace rig.csv --closed-loop-s 2 --out rig
      skidwright tune --rehearse --out rehearsal

    Exit status 1: the data cannot carry a model, the gains are not robust, or the verification fell short.
    """
    if (port is not None) + (from_trace is not None) + rehearse != 1:
        raise click.UsageError("give a PORT, --from-trace FILE or --rehearse, one of them")
    asked = _present(present)
    if rehearse:
        from skidwright.cli import tune_rehearse

        return tune_rehearse.run(closed_loop_s, asked, out, pictures, as_json)
    if from_trace is not None:
        from skidwright.cli import tune_offline

        return tune_offline.run(from_trace, closed_loop_s, asked, out, pictures, as_json)
    from skidwright.cli import tune_online

    folder = out or Path(f"tuning-{datetime.datetime.now(datetime.UTC):%Y%m%d-%H%M%S}")
    assert port is not None
    return tune_online.run(port, closed_loop_s, longest_s, propose_only, yes, folder, pictures, as_json)


def _present(given: tuple[int, int] | None) -> dict[str, int] | None:
    from skidboard import settings

    from skidwright.tuning.simc import GAIN, INTEGRAL

    if given is None:
        return None
    values = {GAIN: given[0], INTEGRAL: given[1]}
    for name, value in values.items():
        problem = settings.check(name, value)
        if problem:
            raise click.UsageError(f"--present: {problem}")
    return values
