"""`skidwright fluid`: viscosity at a temperature, viscosity index, ISO grade."""

from typing import Any

import click

from skidwright.cli import options
from skidwright.cli.numbers import Number, rounded

# D341 asks for a single liquid: far beyond an oil is solid or cracks (common practice, no source).
LEAST_C, MOST_C = -60, 250


@click.command(short_help="Viscosity at a temperature, viscosity index, ISO grade of an oil.")
@click.option("--v40", type=Number(), required=True, help="Kinematic viscosity at 40 degC, mm2/s.")
@click.option("--v100", type=Number(), required=True, help="Kinematic viscosity at 100 degC, mm2/s.")
@click.option(
    "--at", type=Number(LEAST_C, MOST_C), metavar="DEGC", help="Temperature at which the viscosity is wanted."
)
@click.option("--viscosity", type=Number(), metavar="MM2_S", help="Viscosity whose temperature is wanted.")
@options.json_option
def fluid(v40: float, v100: float, at: float | None, viscosity: float | None, as_json: bool) -> None:
    """Viscosity-temperature relation of an oil (ASTM D341), viscosity index (ASTM D2270), ISO 3448 grade.

    \b
    Examples:
      skidwright fluid --v40 46 --v100 6.8 --at 20
      skidwright fluid --v40 46 --v100 6.8 --viscosity 400
      skidwright fluid --v40 46 --v100 6.8 --at 20 --json
    """
    from skidwright.cli import output
    from skidwright.trade import viscosity as d341
    from skidwright.trade.viscosity_index import viscosity_index

    try:
        line = d341.line_through(40, v40, 100, v100)
        index = rounded(viscosity_index(v40, v100), 2)
        grade = int(d341.iso_vg(v40)) or None
        answer: dict[str, Any] = {"viscosity_index": index, "iso_vg": grade, "notes": []}
        if at is not None:
            answer["at_c"] = at
            answer["viscosity_mm2_s"] = rounded(d341.viscosity(line, at), 6, significant=True)
        if viscosity is not None:
            answer["viscosity_wanted_mm2_s"] = viscosity
            answer["temperature_c"] = rounded(d341.temperature(line, viscosity), 2)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    if at is not None and answer["viscosity_mm2_s"] is None:
        raise click.UsageError(
            f"--at: at {at:g} degC this oil would be outside {d341.LOWEST_MM2_S} to {d341.HIGHEST_MM2_S:g} "
            "mm2/s, where D341 does not hold; ask for a temperature nearer to 40 to 100 degC"
        )
    reached = answer.get("temperature_c") if viscosity is not None else 40.0
    if reached is None or not LEAST_C <= reached <= MOST_C:
        raise click.UsageError(
            f"--viscosity: this oil would have {viscosity:g} mm2/s outside {LEAST_C} to {MOST_C} degC, where "
            "it is no single liquid"
        )
    notes = answer["notes"]
    if any(t is not None and not 40 <= t <= 100 for t in (at, answer.get("temperature_c"))):
        notes.append("outside 40 to 100 degC: an extrapolation, never below the cloud point")
    if index is None:
        notes.append("the viscosity index is not defined below 2 mm2/s at 100 degC")
    if grade is None:
        notes.append("between the grades of ISO 3448, or beyond them: no ISO VG")
    if as_json:
        output.print_json(answer)
        return
    if at is not None:
        output.say(f"viscosity at {at:g} degC  {answer['viscosity_mm2_s']:.4g} mm2/s")
    if viscosity is not None:
        output.say(f"{viscosity:g} mm2/s at         {answer['temperature_c']:.1f} degC")
    output.say(f"viscosity index       {'not defined' if index is None else round(index)}")
    output.say(f"ISO viscosity grade   {'none' if grade is None else f'VG {grade}'}")
    for note in notes:
        click.echo(f"note: {note}", err=True)
