"""`skidwright tune`: step test, model, gains, margins; on a skid or from a trace."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options

if TYPE_CHECKING:
    from skidwright.tuning.proposal import Proposal, Tuning
    from skidwright.tuning.trace import Trace

CAUTION = (
    "The pump will run, and its duty will step: stop chain within reach, hands off fittings, lines secured. "
    "A line under pressure can inject fluid through the skin. See docs/safety.md."
)


@click.command(short_help="Identify pump and flow loop, propose and verify controller gains.")
@click.argument("port", required=False)
@click.option("--from-trace", type=click.Path(path_type=Path, dir_okay=False),
              help="Work on a CSV trace of any rig instead of a skid.")  # fmt: skip
@click.option("--rehearse", is_flag=True,
              help="Without hardware: tune the virtual skid, then disturb it for an hour.")  # fmt: skip
@click.option("--closed-loop-s", type=float, default=None,
              help="Wanted closed-loop time constant.  [default: the loop's dead time]")  # fmt: skip
@click.option("--present", type=(int, int), default=None, metavar="GAIN INTEGRAL",
              help="Present gains to compare with: gain_ppm_per_ul_s and integral_ms.")  # fmt: skip
@click.option("--longest-s", type=click.FloatRange(60, 1800), default=300.0, show_default=True,
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
        return _offline(from_trace, closed_loop_s, asked, out, pictures, as_json)
    from skidwright.cli import tune_online

    folder = out or Path(f"tuning-{_now():%Y%m%d-%H%M%S}")
    assert port is not None
    return tune_online.run(port, closed_loop_s, longest_s, propose_only, yes, folder, pictures, as_json)


def _now() -> datetime.datetime:
    return datetime.datetime.now(datetime.UTC)


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


def noted_gains(trace: Trace) -> dict[str, int] | None:
    """The gains in force during the test, from the remarks in a trace that this command wrote."""
    from skidwright.tuning.simc import GAIN, INTEGRAL

    found = dict(note.split(" = ", 1) for note in trace.notes if " = " in note)
    try:
        return {name: int(found[name]) for name in (GAIN, INTEGRAL)}
    except (KeyError, ValueError):
        return None


def _offline(
    path: Path,
    closed_loop_s: float | None,
    present: dict[str, int] | None,
    out: Path | None,
    pictures: str,
    as_json: bool,
) -> int:
    from skidwright.cli import output
    from skidwright.errors import NoModel
    from skidwright.tuning import trace as traces
    from skidwright.tuning import tuning_file
    from skidwright.tuning.identify import identify
    from skidwright.tuning.proposal import propose

    trace = traces.from_flow_on(traces.read(path))
    proposal, refusal = None, ""
    try:
        proposal = propose(identify(trace), closed_loop_s, present or noted_gains(trace))
    except NoModel as why:
        refusal = str(why)
    content = tuning_file.document(trace, proposal, output.iso(_now()), refusal)
    if out is not None:
        tuning_file.save(content, out)
        draw(out, pictures, trace, proposal)
    if as_json:
        output.print_json(content)
    else:
        show(proposal, refusal)
        if out is not None:
            output.say(f"In {out}: tuning.json and pictures.")
    return 0 if content["verdict"]["acceptable"] else 1


def draw(
    folder: Path,
    kind: str,
    trace: Trace,
    proposal: Proposal | None,
    band: tuple[float, float] | None = None,
) -> None:
    """The pictures of step test and answer, into a folder."""
    from skidwright.tuning import picture

    model = proposal.model if proposal else None
    picture.save(picture.step_test(trace, model, band), folder / f"step_test.{kind}")
    if proposal is not None:
        picture.save(picture.answer(proposal), folder / f"answer.{kind}")


def show(proposal: Proposal | None, refusal: str) -> None:
    """Model, gains and verdict for people."""
    from skidwright.cli import output
    from skidwright.tuning import simc

    if proposal is None:
        output.say(f"No gains proposed. {refusal}.")
        return
    model = proposal.model
    rows = [
        (name, f"{e.value:.{digits}f}", f"{max(e.low, 0.0):.{digits}f} to {e.high:.{digits}f}", unit)
        for name, e, digits, unit in (
            ("gain", model.gain, 3, "uL/s per per mille of duty"),
            ("time constant", model.tau_s, 2, "s"),
            ("dead time", model.dead_s, 2, "s"),
        )
    ]
    rows.append(
        ("dead time of the loop", f"{proposal.process.dead_s:.2f}", "", "s, with measuring and computing")
    )
    columns = ("model", ">value", "95 % interval", "unit")
    title = f"Model from {model.observations} readings of flow ({model.kind})"
    output.print_table(columns, rows, title=title)
    tunings = [proposal.proposed] if proposal.present is None else [proposal.present, proposal.proposed]
    heads = [">proposed"] if proposal.present is None else [">present", ">proposed"]
    lines = zip(*(_figures(tuning) for tuning in tunings), strict=True)
    table = [(name, *cells, note) for (name, note), cells in zip(_LINES, lines, strict=True)]
    title = f"Gains for a closed-loop time of {proposal.closed_loop_s:.2f} s"
    output.print_table(("", *heads, ""), table, title=title)
    fed = simc.feedforward(model)
    if fed:
        line = ", ".join(f"{name} = {value}" for name, value in fed.items())
        output.say(f"Feedforward, from the straight line of flow against duty: {line}.")
    for text in proposal.statements:
        output.say(text)


_LINES = (
    ("gain_ppm_per_ul_s", ""),
    ("integral_ms", ""),
    ("gain margin", "3.14 where SIMC is at its usual tightness"),
    ("phase margin, degrees", "61.4 there"),
    ("peak sensitivity Ms", "1.59 there"),
    ("Ms, worst in the intervals", "should stay below 2"),
    ("duty moved by flow's noise, per mille", "standard deviation"),
)


def _figures(tuning: Tuning) -> tuple[Any, ...]:
    at = tuning.margins
    peak = f"{at.peak_sensitivity:.2f}" if at.stable else "unstable"
    worst = f"{tuning.ms_worst:.2f}" if tuning.ms_worst < float("inf") else "unstable"
    gain, integral = tuning.settings.values()
    return (gain, integral, f"{at.gain_margin:.2f}", f"{at.phase_margin_deg:.1f}", peak, worst,
            f"{tuning.duty_noise_permille:.1f}")  # fmt: skip
