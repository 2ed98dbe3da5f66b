"""What `skidwright calibrate` shows of its results."""

from __future__ import annotations

from typing import Any

from skidwright.calibration.counter import STATEMENT
from skidwright.cli import output


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
