"""skidwright fluid and skidwright water: viscosity and its index, saturation and dissolved water."""

from typing import Any

import click

from skidwright.cli import options
from skidwright.cli.options import Number, rounded

# D341 asks for a single liquid: far beyond an oil is solid or cracks (common practice, no source).
LEAST_VISCOUS_C, MOST_VISCOUS_C = -60, 250


@click.command(short_help="Viscosity at a temperature, viscosity index, ISO grade of an oil.")
@click.option("--v40", type=Number(), required=True, help="Kinematic viscosity at 40 degC, mm2/s.")
@click.option("--v100", type=Number(), required=True, help="Kinematic viscosity at 100 degC, mm2/s.")
@click.option(
    "--at",
    type=Number(LEAST_VISCOUS_C, MOST_VISCOUS_C),
    metavar="DEGC",
    help="Temperature at which the viscosity is wanted.",
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
    from skidwright.formulas import viscosity as d341
    from skidwright.formulas.viscosity import viscosity_index

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
    if reached is None or not LEAST_VISCOUS_C <= reached <= MOST_VISCOUS_C:
        raise click.UsageError(
            f"--viscosity: this oil would have {viscosity:g} mm2/s outside "
            f"{LEAST_VISCOUS_C} to {MOST_VISCOUS_C} degC, where "
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


# No oil is liquid far beyond, and none dissolves a tenth of its mass of water.
LEAST_C, MOST_C = -60, 200
DEGC = Number(LEAST_C, MOST_C)
MOST_PPM = 100_000


@click.command(short_help="Water in oil: content, saturation elsewhere, where free water appears.")
@click.option("--rs", type=Number(0, 100), required=True, help="Relative saturation, %.")
@click.option("--temp", type=DEGC, required=True, metavar="DEGC", help="Temperature of that reading.")
@click.option("--to", type=DEGC, metavar="DEGC", help="Another temperature to carry it to.")
@click.option(
    "--constants",
    type=click.Choice(["mineral-7.09", "mineral-7.42"]),
    default="mineral-7.09",
    show_default=True,
    help="Published constants to use.",
)
@click.option("--a", type=Number(), help="The fluid's own constants of log10 S = A - B/T: A")
@click.option("--b", type=Number(), help="... and B.")
@click.option(
    "--point",
    type=(DEGC, Number(0, 100), Number(0, MOST_PPM)),
    multiple=True,
    metavar="DEGC RS PPM",
    help="Temperature, saturation and water content (Karl Fischer) of a sample; two fit A and B.",
)
@options.json_option
def water(
    rs: float,
    temp: float,
    to: float | None,
    constants: str,
    a: float | None,
    b: float | None,
    point: tuple[tuple[float, float, float], ...],
    as_json: bool,
) -> None:
    """Water in oil from relative saturation and temperature, by log10 S = A - B/T.

    The two published pairs of A and B are for mineral insulating oil, and they differ. Hydraulic, gear and
    engine oils dissolve other amounts: have A and B measured, or fit them from two samples with --point.

    \b
    Examples:
      skidwright water --rs 25 --temp 60 --to 40
      skidwright water --rs 25 --temp 60 --to 40 --constants mineral-7.42 --json
      skidwright water --rs 25 --temp 60 --point 25 48 180 --point 60 20 180
    """
    from skidwright.cli import output
    from skidwright.formulas import water as wet

    try:
        oil = _solubility(constants, a, b, point)
        for warm in (temp, temp if to is None else to):
            if wet.solubility_ppm(warm, oil) > MOST_PPM:
                raise ValueError(
                    f"by A = {oil.a:g} and B = {oil.b:g} this oil would hold more than {MOST_PPM:,} ppm "
                    f"of water at {warm:g} degC: check them"
                )
        content = wet.content_ppm(rs, temp, oil)
        carried = wet.carry(rs, temp, temp if to is None else to, oil)
        below = float(wet.free_water_below_c(rs, temp, oil))
        answer: dict[str, Any] = {
            "rs_percent": rounded(carried.rs_percent, 3),
            "at_c": temp if to is None else to,
            "content_ppm": rounded(content, 2),
            "free_water_ppm": rounded(carried.free_ppm, 2),
            "free_water_below_c": rounded(below, 2) if below >= LEAST_C else None,
            "constants": oil._asdict(),
            "notes": [],
        }
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    notes = answer["notes"]
    if oil.name in wet.PUBLISHED:
        notes.append(
            "A and B are those of mineral insulating oil; the other published pair gives another content, "
            "and a hydraulic or lubricating oil needs its own (--a and --b, or --point twice)"
        )
    if not all(0 <= t <= 100 for t in (temp, answer["at_c"])):
        notes.append("outside 0 to 100 degC: an extrapolation")
    if rs and answer["free_water_below_c"] is None:
        notes.append(f"no free water down to {LEAST_C} degC, where this ends")
    if rs == 100:
        notes.append("at 100 % the content is the least there is: free water does not show in a reading")
    if as_json:
        output.print_json(answer)
        return
    output.say(f"water content         {answer['content_ppm']:g} ppm by mass")
    if to is not None:
        free = f", and {answer['free_water_ppm']:g} ppm of free water" if answer["free_water_ppm"] else ""
        output.say(f"saturation at {to:g} degC  {answer['rs_percent']:.1f} %{free}")
    free_below = answer["free_water_below_c"]
    output.say(f"free water below      {'never' if free_below is None else f'{free_below:.1f} degC'}")
    output.say(f"constants             {oil.name}: A = {oil.a:g}, B = {oil.b:g}")
    for note in notes:
        click.echo(f"note: {note}", err=True)


def _solubility(
    name: str, a: float | None, b: float | None, points: tuple[tuple[float, float, float], ...]
) -> Any:
    from skidwright.formulas import water as wet

    if points and (a is not None or b is not None):
        raise ValueError("give either --a and --b, or --point twice, not both")
    if points:
        if len(points) != 2:
            raise ValueError(f"--point: two are needed, {len(points)} given")
        return wet.fit_two_points(*points[0], *points[1])
    if (a is None) != (b is None):
        raise ValueError("--a and --b belong together: give both or neither")
    if a is not None and b is not None:
        if not (0 < a < 20 and 0 < b < 10_000):
            raise ValueError("--a and --b: about 7 and 1600 for a mineral oil, and A below 20, B below 10000")
        return wet.Solubility(a, b, "given", "given on the command line")
    return wet.PUBLISHED[name]
