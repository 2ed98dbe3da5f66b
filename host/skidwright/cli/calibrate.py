"""skidwright calibrate: meter, loops and counter against a reference."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from skidwright.calibration.counter import STATEMENT
from skidwright.cli import options, output
from skidwright.cli.options import Number


def show_flow(result: Any) -> None:
    """Pulse by flow, the parts of its uncertainty, and the sum of it in words."""
    rows = [
        (at.runs, f"{at.flow_ul_s * 0.06:.1f}", f"{at.pulse_nl / 1000:.3f}", f"{at.deviation:+.2%}")
        for at in result.flows
    ]
    output.print_table((">runs", ">flow, mL/min", ">pulse, uL", ">from the mean"), rows)
    output.print_table(
        ("contribution", ">standard uncertainty"),
        [(part.name, f"{part.standard:.3%}") for part in result.parts],
    )
    output.say(
        f"One pulse is {result.pulse_nl / 1000:.3f} uL ({result.pulses_per_ml:.3f} pulses/mL), within "
        f"{result.uncertainty.expanded:.2%} (95 %, k = {result.uncertainty.factor:.2f}); linear within "
        f"{result.linearity:.2%}."
    )
    output.say(
        f"For skid.toml: [checks] volume_uncertainty_percent = {result.uncertainty.standard * 100:.2f}"
    )


def show_loop(result: Any) -> None:
    """What each point leaves after the correction, and the correction in words."""
    rows = [
        (f"{p.reference_ua / 1000:.3f}", f"{p.read_ua / 1000:.3f}", f"{left:+.1f}")
        for p, left in zip(result.points, result.residuals_ua, strict=True)
    ]
    output.print_table((">reference, mA", ">read, mA", ">left after, uA"), rows)
    if result.parts:
        output.print_table(
            ("contribution", ">standard uncertainty, uA", ">degrees of freedom"),
            [(part.name, f"{part.standard:.2f}", f"{part.freedom:g}") for part in result.parts],
        )
    found = result.uncertainty
    said = "two points cannot show what is left" if found is None else (
        f"a corrected reading is within {found.expanded:.0f} uA (95 %, k = {found.factor:.2f}, "
        f"{found.freedom:.1f} effective degrees of freedom)")  # fmt: skip
    output.say(
        f"Offset {result.offset_ua} uA, gain {result.gain_ppm / 1e4:+.3f} %; off by up to "
        f"{result.error_before_ua:.0f} uA before; {said}."
    )


def show_counter(result: Any) -> None:
    """The ratio of the counter to its reference by channel."""
    rows = [
        (c.channel, f"{c.ours_per_ml:.4g}", f"{c.reference_per_ml:.4g}",
         f"{c.ratio:.3f}", f"{c.low:.3f} to {c.high:.3f}", c.words) for c in result
    ]  # fmt: skip
    output.print_table(("channel", ">ours, 1/mL", ">reference, 1/mL", ">ratio", "95 % limits", ""), rows)
    output.say(STATEMENT)


if TYPE_CHECKING:
    from skidwright.calibration.document import Facts

Command = TypeVar("Command", bound=Callable[..., Any])
CHANNELS = ("4um", "6um", "14um", "21um")
_DATE = click.DateTime(["%Y-%m-%d"])


def _facts_options(command: Command) -> Command:
    for option in (
        click.option("--out", type=click.Path(path_type=Path, dir_okay=False), default=None,
                     help="File for the result.  [default: calibration-WHAT-DATE.json]"),
        click.option("--yes", is_flag=True, help="Do not ask before the pump runs or settings are written."),
        click.option("--date", "on", type=_DATE, default=None, help="Day of the work.  [default: today]"),
        click.option("--due", type=_DATE, required=True, help="Day on which it runs out, 2027-11-30."),
        click.option("--reference", required=True, help="What was compared with: balance, its certificate."),
        click.option("--by", required=True, help="Who did it."),
    ):  # fmt: skip
        command = option(command)
    return command


def _facts(
    by: str, reference: str, on: datetime.datetime | None, due: datetime.datetime, *notes: str
) -> Facts:
    from skidwright.calibration.document import Facts

    day = on.date() if on else datetime.datetime.now(datetime.UTC).date()
    return Facts(by, reference, day, due.date(), notes)


@click.group(short_help="Calibrate flow meter and loop inputs; compare the counter.")
def calibrate() -> None:
    """Calibrate what every figure rests on, and keep who did it, against what, and until when it holds.

    The result goes into a file, with a PORT also into the board's settings and, as a mark, into its log.
    `check` and `report` say when a calibration has run out or was never made.

    \b
    Examples:
      skidwright calibrate flow --help
      skidwright calibrate loop /dev/ttyACM0 --by "A. Moe" --reference "calibrator 7" --due 2027-11-30
    """


@calibrate.command(short_help="The flow meter, by catch and weigh.")
@click.argument("port", required=False)
@click.option("--runs", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="CSV file with the columns pulses, mass_g, seconds.")  # fmt: skip
@click.option("--run", "single", type=(int, Number(), Number()), multiple=True,
              metavar="PULSES GRAMS SECONDS", help="One run; may be given again and again.")  # fmt: skip
@click.option("--density", type=Number(), required=True, help="Density of the fluid at the meter, g/mL.")
@click.option("--density-u", type=Number(), default=0.001, show_default=True,
              help="Its standard uncertainty, g/mL.")  # fmt: skip
@click.option("--balance-u", type=Number(), default=0.1, show_default=True,
              help="Standard uncertainty that all weighings share, g.")  # fmt: skip
@click.option("--times", type=click.IntRange(3, 50), default=5, show_default=True,
              help="Runs to make on the skid.")  # fmt: skip
@click.option("--seconds", type=click.IntRange(10, 3600), default=60, show_default=True,
              help="Length of a run on the skid.")  # fmt: skip
@_facts_options
@options.json_option
def flow(
    port: str | None,
    runs: Path | None,
    single: tuple[tuple[int, float, float], ...],
    density: float,
    density_u: float,
    balance_u: float,
    times: int,
    seconds: int,
    by: str,
    reference: str,
    due: datetime.datetime,
    on: datetime.datetime | None,
    yes: bool,
    out: Path | None,
    as_json: bool,
) -> int:
    """The volume of the flow meter's pulse: catch what was pumped, weigh it, count the pulses.

    With runs in a file or by --run nothing is pumped. With a PORT alone the skid pumps for some seconds at
    a time, at flows across its band, and asks for the mass on the balance after each. Put the return line
    into the tared vessel first, full and free of bubbles.

    \b
    Examples:
      skidwright calibrate flow --runs caught.csv --density 0.861 --by "A. Moe" \\
          --reference "balance 3, certificate 2026-114" --due 2027-11-30
      skidwright calibrate flow /dev/ttyACM0 --density 0.861 --by "A. Moe" \\
          --reference "balance 3" --due 2027-11-30
    """
    from skidwright.calibration import flow as meter
    from skidwright.cli import calibrate_work, output

    facts = _facts(by, reference, on, due)
    calibrate_work.place("flow", facts, out)
    taken = [meter.WeighedRun(*run) for run in single] + (meter.read_runs(runs) if runs else [])
    fluid = meter.WeighedFluid(density, density_u)
    with calibrate_work.board(port) as session:
        if not taken:
            if session is None:
                raise click.UsageError(
                    "give --runs FILE, --run PULSES GRAMS SECONDS, or a PORT to measure at"
                )
            taken = calibrate_work.catch(session, times, seconds)
        result = meter.calibrate(taken, fluid, balance_u)
        settings = {
            "meter_pulse_nl": round(result.pulse_nl),
            # In hundredths of a per cent, rather too large than too small.
            "meter_uncertainty_cpct": min(math.ceil(result.uncertainty.standard * 1e4), 2000),
            "meter_due_day": facts.due_day,
        }
        figure = f"{result.pulse_nl / 1000:.2f} uL/pulse +-{result.uncertainty.expanded:.2%}"
        measured = {"fluid": fluid, "runs": taken, "balance_u_g": balance_u}
        work = calibrate_work.CalibrationOutcome(
            "flow", facts, measured, _flow_result(result), settings, figure
        )
        if not as_json:
            show_flow(result)
        return calibrate_work.finish(work, session, yes, out, as_json, output.say)


def _flow_result(result: Any) -> dict[str, Any]:
    return {
        "pulse_nl": result.pulse_nl,
        "pulses_per_ml": result.pulses_per_ml,
        "relative_uncertainty": result.uncertainty,
        "parts": list(result.parts),
        "flows": list(result.flows),
        "linearity": result.linearity,
    }


@calibrate.command(short_help="The input of a current loop, by a reference current.")
@click.argument("port", required=False)
@click.option("--which", type=click.Choice(["water", "temp"]), default="water", show_default=True,
              help="Which loop's input.")  # fmt: skip
@click.option("--point", "points", type=(Number(), Number()), multiple=True, metavar="REFERENCE READ",
              help="Reference current and what the board read, in mA; two or more.")  # fmt: skip
@click.option("--at", "wanted", type=Number(), multiple=True, metavar="MA",
              help="Currents to set the reference to, read live.  [default: 4, 12 and 20]")  # fmt: skip
@click.option("--reference-u", type=Number(), default=5.0, show_default=True,
              help="Standard uncertainty of the reference, uA.")  # fmt: skip
@click.option("--reference-freedom", type=Number(1), default=None,
              help="Its degrees of freedom, if the certificate gives them.  [default: known]")  # fmt: skip
@_facts_options
@options.json_option
def loop(
    port: str | None,
    which: str,
    points: tuple[tuple[float, float], ...],
    wanted: tuple[float, ...],
    reference_u: float,
    reference_freedom: float | None,
    by: str,
    reference: str,
    due: datetime.datetime,
    on: datetime.datetime | None,
    yes: bool,
    out: Path | None,
    as_json: bool,
) -> int:
    """Offset and gain of a 4-20 mA input, from two or more currents of a reference.

    With a PORT alone it asks you to set each current and reads the board. --point gives readings made
    before, as the board shows them (with a PORT the correction in force is taken out of them first).

    \b
    Examples:
      skidwright calibrate loop /dev/ttyACM0 --by "A. Moe" --reference "calibrator 7" --due 2027-11-30
      skidwright calibrate loop --point 4 3.962 --point 20 19.81 --by "A. Moe" --reference "calibrator 7" \\
          --due 2027-11-30
    """
    from skidwright.calibration import loop as loops
    from skidwright.cli import calibrate_work, output

    facts = _facts(by, reference, on, due)
    name = {"water": "water loop", "temp": "temperature loop"}[which]
    calibrate_work.place(name, facts, out)
    with calibrate_work.board(port) as session:
        taken = [loops.Point(ref * 1000, read * 1000) for ref, read in points]
        if session is not None:
            taken = calibrate_work.uncorrected(session, which, taken or calibrate_work.read_loop(
                session, which, wanted or (4.0, 12.0, 20.0)))  # fmt: skip
        freedom = math.inf if reference_freedom is None else reference_freedom
        result = loops.calibrate(taken, reference_u, freedom)
        settings = {
            f"{which}_offset_ua": result.offset_ua,
            f"{which}_gain_ppm": result.gain_ppm,
            "loops_due_day": facts.due_day,
        }
        figure = f"offset {result.offset_ua} uA gain {result.gain_ppm} ppm"
        work = calibrate_work.CalibrationOutcome(name, facts, {"points": taken, "reference_u_ua": reference_u,
                                       "reference_freedom": freedom},
                                      result, settings, figure)  # fmt: skip
        if not as_json:
            show_loop(result)
        return calibrate_work.finish(work, session, yes, out, as_json, output.say)


@calibrate.command(short_help="The particle counter, against reference counts of the same fluid.")
@click.argument("port", required=False)
@click.option(
    "--counts", required=True, metavar="N,N,N[,N]", help="Raw counts of the skid, 4, 6, 14, 21 um(c)."
)
@click.option("--volume-ml", type=Number(), required=True, help="Volume they were counted in.")
@click.option("--reference-counts", required=True, metavar="N,N,N[,N]", help="Raw counts of the reference.")
@click.option("--reference-volume-ml", type=Number(), required=True, help="Volume of those.")
@_facts_options
@options.json_option
def counter(
    port: str | None,
    counts: str,
    volume_ml: float,
    reference_counts: str,
    reference_volume_ml: float,
    by: str,
    reference: str,
    due: datetime.datetime,
    on: datetime.datetime | None,
    yes: bool,
    out: Path | None,
    as_json: bool,
) -> int:
    """The skid's counter against a laboratory's counts of the same sample, channel by channel.

    This is a comparison. It is no calibration to ISO 11171, changes no count, and does not move the day on
    which the counter's calibration is due.

    \b
    Example:
      skidwright calibrate counter --counts 48211,17020,902,170 --volume-ml 30 \\
          --reference-counts 41000,14100,760,150 --reference-volume-ml 25 \\
          --by "A. Moe" --reference "laboratory report 26-0412" --due 2027-05-31

    Exit status 1: a channel differs by more than half a scale number.
    """
    from skidwright.calibration import counter as comparing
    from skidwright.cli import calibrate_work, output

    facts = _facts(by, reference, on, due, comparing.STATEMENT)
    ours, theirs = _numbers(counts, "--counts"), _numbers(reference_counts, "--reference-counts")
    result = comparing.compare(CHANNELS, ours, volume_ml, theirs, reference_volume_ml)
    measured = {"counts": ours, "volume_ml": volume_ml, "reference_counts": theirs,
                "reference_volume_ml": reference_volume_ml}  # fmt: skip
    if not as_json:
        show_counter(result)
    far = [c.channel for c in result if c.words.startswith("differs by more")]
    figure = f"{', '.join(far)} differ" if far else "no channel differs by half a scale number"
    with calibrate_work.board(port) as session:
        work = calibrate_work.CalibrationOutcome(
            "counter, by comparison", facts, measured, result, {}, figure
        )
        calibrate_work.finish(work, session, yes, out, as_json, output.say)
    return 1 if far else 0


def _numbers(text: str, option: str) -> list[int]:
    parts = text.replace(" ", "").split(",")
    if not all(part.isdecimal() and len(part) < 12 for part in parts) or not 1 <= len(parts) <= len(CHANNELS):
        raise click.UsageError(f"{option}: give one to four whole numbers with commas between them")
    return [int(part) for part in parts]
