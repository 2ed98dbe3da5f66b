"""What `skidwright tune` shows: pictures of step test and answer, model and gains in a table."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

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
