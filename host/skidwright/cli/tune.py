"""skidwright tune: gains from a step test on the skid, from a recording, or rehearsed on a model."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options
from skidwright.cli.options import Number

if TYPE_CHECKING:
    from skidwright.tuning.proposal import Proposal, Tuning
    from skidwright.tuning.trace import Trace


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


def from_recording(
    path: Path,
    closed_loop_s: float | None,
    present: dict[str, int] | None,
    out: Path | None,
    pictures: str,
    as_json: bool,
) -> int:
    """Propose from a trace in a file; the exit status of the command."""
    from skidwright.cli import output
    from skidwright.errors import NoModel
    from skidwright.tuning import trace as traces
    from skidwright.tuning import tuning_file
    from skidwright.tuning.identify import identify
    from skidwright.tuning.proposal import propose

    trace = traces.from_flow_on(traces.read(path))
    proposal, refusal = None, ""
    try:
        proposal = propose(identify(trace), closed_loop_s, present or tuning_file.noted_gains(trace))
    except NoModel as why:
        refusal = str(why)
    content = tuning_file.document(trace, proposal, output.iso(datetime.datetime.now(datetime.UTC)), refusal)
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


SEED = 1
# Not at either end of what the fluid will do: gains found warm are safe in the cold.
_TUNED_AT_C = 40.0


def rehearsed(closed_loop_s: float | None, present: dict[str, int] | None, out: Path | None, pictures: str,
        as_json: bool) -> int:  # fmt: skip
    """The exit status; see `skidwright tune --help`."""
    from skidboard import settings as board_settings

    from skidwright.cli import output
    from skidwright.tuning import picture, rehearsal, tuning_file
    from skidwright.tuning import trace as traces
    from skidwright.tuning.identify import identify
    from skidwright.tuning.proposal import propose

    whole = board_settings.defaults()
    band = (float(whole["flow_low_ul_s"]), float(whole["flow_high_ul_s"]))
    trace = rehearsal.step_test(SEED, _TUNED_AT_C)
    proposal = propose(identify(trace), closed_loop_s, present)
    made = rehearsal.rehearse(proposal.board_values(), SEED)
    found: dict[str, Any] = {
        "in_band": made.in_band(*band),
        "iae_ul": made.iae_ul(),
        "beyond_top_ul_s": made.above(band[1]),
        "counting_s": float(made.counting().sum()) * rehearsal.TICK_US * 1e-6,
    }
    content = tuning_file.document(trace, proposal, output.iso(datetime.datetime.now(datetime.UTC)))
    content["rehearsal"] = found
    if out is not None:
        tuning_file.save(content, out)
        traces.write(trace, out / "trace.csv")
        draw(out, pictures, trace, proposal, band)
        picture.save(rehearsal.rehearsal(made, band), out / f"rehearsal.{pictures}")
        picture.save(rehearsal.changes(made, band), out / f"changes.{pictures}")
    if as_json:
        output.print_json(content)
    else:
        show(proposal, "")
        output.say(
            f"Rehearsed on the virtual skid, {found['counting_s'] / 60:.0f} min of counting time from 1000 "
            f"to 5 mm2/s with changes of set-point, supply pressure and a half-closed valve: flow in its "
            f"band {found['in_band']:.2%} of the time, beyond its top by {found['beyond_top_ul_s']:.0f} uL/s."
        )
        if out is not None:
            output.say(f"In {out}: tuning.json, trace.csv and pictures.")
    return 0 if content["verdict"]["acceptable"] else 1


_CAUTION = (
    "The pump will run, and its duty will step: stop chain within reach, hands off fittings, lines secured. "
    "A line under pressure can inject fluid through the skin. See docs/safety.md."
)


def on_the_skid(
    port: str,
    closed_loop_s: float | None,
    longest_s: float,
    propose_only: bool,
    yes: bool,
    folder: Path,
    pictures: str,
    as_json: bool,
) -> int:
    """The exit status; see `skidwright tune --help`."""
    from skidwright.cli import options, output
    from skidwright.errors import StepTestStopped
    from skidwright.link.session import Session
    from skidwright.tuning import trace as traces
    from skidwright.tuning import tuning_file
    from skidwright.tuning.proposal import propose
    from skidwright.tuning.step_test import Bench

    def tell(text: str, seconds: float = 0.0) -> None:
        click.echo(f"{seconds:6.0f} s  {text}" if seconds else f"          {text}", err=True)

    if not yes:
        options.ask("Start the pump?")
    with Session.open(port) as session:
        hello = session.hello()
        settings = session.settings()
        band = (float(settings["flow_low_ul_s"]), float(settings["flow_high_ul_s"]))
        click.echo(_CAUTION, err=True)
        if not options.agreed("Start the pump?", yes):
            raise click.Abort
        bench = Bench(session, settings, longest_s, tell)
        try:
            trace, model, refusal = bench.step_test()
        except (StepTestStopped, KeyboardInterrupt):
            partly = bench.recorded()
            if partly is not None:
                folder.mkdir(parents=True, exist_ok=True)
                traces.write(partly, folder / "trace.csv")
            raise
        present = tuning_file.noted_gains(trace)
        proposal = propose(model, closed_loop_s, present) if model is not None else None
        board = {"device": hello.device, "firmware": hello.firmware, "settings": settings}
        content = tuning_file.document(
            trace, proposal, output.iso(datetime.datetime.now(datetime.UTC)), refusal, board
        )
        # From here on an interruption loses nothing of what was measured.
        tuning_file.save(content, folder)
        traces.write(trace, folder / "trace.csv")
        draw(folder, pictures, trace, proposal, band)
        if not as_json:
            show(proposal, refusal)
        good = bool(content["verdict"]["acceptable"])
        if proposal is not None and model is not None and good and not propose_only:
            asked = "Write these gains and verify them with a set-point step?"
            if options.agreed(asked, yes):
                session.put_settings(proposal.board_values())
                content["written"] = True
                content["written_settings"] = proposal.board_values()
                # At once: what follows may be interrupted.
                click.echo(_written(content, port), err=as_json)
                tuning_file.save(content, folder)
                bench.settings = session.settings()
                good = _verify(bench, model, content, folder, pictures, band, as_json)
        if as_json:
            output.print_json(content)
        else:
            output.say(f"In {folder}: tuning.json, trace.csv and pictures.")
    return 0 if good else 1


def _written(content: dict[str, Any], port: str) -> str:
    """What stands on the board now, what stood there before, and how that comes back."""
    before = content["board"]["settings"]

    def said(values: dict[str, Any]) -> str:
        return ", ".join(f"{name} = {value}" for name, value in values.items())

    new = content["written_settings"]
    return (
        f"written: {said(new)}. If you keep a skid.toml, put them under [board] there too. The way back: put "
        f"{said({name: before[name] for name in new})} under [board] instead, then `skidwright settings "
        f"{port} --send`."
    )


def _verify(
    bench: Any, model: Any, content: dict[str, Any], folder: Path, kind: str, band: tuple[float, float],
    as_json: bool,
) -> bool:  # fmt: skip
    """Verify what was written, keep that too; whether it went as predicted."""
    from skidwright.cli import output
    from skidwright.tuning import picture, tuning_file
    from skidwright.tuning import trace as traces

    trace, found = bench.verify(model)
    content["verification"] = found
    tuning_file.save(content, folder)
    traces.write(trace, folder / "verification.csv")
    picture.save(picture.verification(trace, found, band), folder / f"verification.{kind}")
    if not as_json:
        output.say(
            f"Verified: IAE {found['iae_ul']:.0f} uL, predicted {found['iae_predicted_ul']:.0f}; overshoot "
            f"{found['overshoot']:.0%}, predicted {found['overshoot_predicted']:.0%}; in the band "
            f"{found['in_band']:.1%} of the time: {'as predicted' if found['good'] else 'not as predicted'}."
        )
        if not found["good"]:
            output.say("They are written all the same; the way back is named above.")
    return bool(found["good"])


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
        return rehearsed(closed_loop_s, asked, out, pictures, as_json)
    if from_trace is not None:
        return from_recording(from_trace, closed_loop_s, asked, out, pictures, as_json)

    folder = out or Path(f"tuning-{datetime.datetime.now(datetime.UTC):%Y%m%d-%H%M%S}")
    assert port is not None
    return on_the_skid(port, closed_loop_s, longest_s, propose_only, yes, folder, pictures, as_json)


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
