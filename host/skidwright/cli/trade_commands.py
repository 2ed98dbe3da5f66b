"""`skidwright code`, `fluid`, `water`: the trade's calculations for whoever has numbers and no skid."""

import math
import re
from typing import Any

import click

from skidwright.cli import options

_VALUE = re.compile(r"[-*]|[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)
_LISTS = ("--per-ml", "--counts")


class Number(click.FloatRange):
    """A finite number: click by itself lets `nan` and `inf` pass every range."""

    name = "number"

    def _describe_range(self) -> str:
        """The range for the help; nothing where there is none, for which click writes x<=None."""
        return "" if self.min is None and self.max is None else super()._describe_range()

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """As click does, and refuse what is not finite."""
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is not a finite number", param, ctx)
        return number


class ListCommand(click.Command):
    """Lets `--per-ml` and `--counts` take all the values that follow them: `--per-ml 1300 640 80`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, after each value of a list was given its own option."""
        spread: list[str] = []
        taking = ""
        for arg in args:
            name, equals, value = arg.partition("=")
            if taking and _VALUE.fullmatch(arg):
                spread.append(f"{taking}={arg}")
            elif name in _LISTS:
                taking = name
                if equals:
                    spread.append(f"{name}={value}")
            else:
                taking = ""
                spread.append(arg)
        return super().parse_args(ctx, spread)


def _percent(_ctx: click.Context, _param: click.Parameter, value: float) -> float:
    return value / 100


@click.command(
    cls=ListCommand, short_help="Cleanliness code of particle counts (ISO 4406, AS4059, NAS 1638)."
)
@click.option("--per-ml", multiple=True, metavar="N N N [N]", help="Particles per mL, cumulative, by size.")
@click.option("--counts", multiple=True, metavar="N N N [N]", help="Raw counts, cumulative, by size.")
@click.option("--volume-ml", help="Volume in which the counts were made, mL.")
@click.option("--dilution", default="1", show_default=True, help="Parts of mixture to one part of fluid.")
@click.option(
    "--standard",
    type=click.Choice(["iso4406", "as4059", "nas1638"]),
    default="iso4406",
    show_default=True,
    help="Standard to code by.",
)
@click.option(
    "--sensing-volume-ml",
    type=Number(min=0),
    default=0.0,
    help="Take out coincidence, by the counter's sensing volume.",
)
@click.option(
    "--confidence",
    type=Number(50, 99.9999),
    default=95,
    show_default=True,
    callback=_percent,
    metavar="PERCENT",
    help="Confidence of the intervals that --detail shows.",
)
@click.option(
    "--volume-uncertainty",
    type=Number(0, 50),
    default=0,
    show_default=True,
    callback=_percent,
    metavar="PERCENT",
    help="One standard deviation of the volume.",
)
@click.option("--detail", is_flag=True, help="Also show intervals and probabilities, of --counts.")
@click.argument("rest", nargs=-1, metavar="")
@options.json_option
def code(
    per_ml: tuple[str, ...],
    counts: tuple[str, ...],
    volume_ml: str | None,
    dilution: str,
    standard: str,
    sensing_volume_ml: float,
    confidence: float,
    volume_uncertainty: float,
    detail: bool,
    rest: tuple[str, ...],
    as_json: bool,
) -> None:
    """Cleanliness code of cumulative particle counts at >=4, >=6, >=14 um(c), and if there is one >=21 um(c).

    A size that was not wanted is written -, one with too many particles to count '*' (in quotes, or the
    shell puts file names in its place). With --counts a number is marked >= where fewer than 20 particles
    were counted, as ISO 4406 asks. AS4059 and NAS 1638 know more sizes: give them in order, up to six
    (4, 6, 14, 21, 38, 70 um(c)); without them the answer is partial and says so.

    \b
    Examples:
      skidwright code --per-ml 1300.01 640 80
      skidwright code --counts 1600 400 13 --volume-ml 10
      skidwright code --counts 160 40 - --volume-ml 10 --dilution 10
      skidwright code --per-ml 1300 640 80 9 --standard as4059
      skidwright code --counts 36000 9000 900 --volume-ml 30 --volume-uncertainty 2 --json
    """
    from skidwright.cli import code_answer, output

    if rest:
        raise click.UsageError(f"{rest[0]}: not a number, - or '*' (put the * in quotes)")
    if bool(per_ml) == bool(counts):
        raise click.UsageError("give either --per-ml or --counts")
    if counts and volume_ml is None:
        raise click.UsageError("--counts: the volume is missing, give --volume-ml")
    if per_ml and (volume_ml is not None or dilution != "1"):
        raise click.UsageError("--volume-ml and --dilution go with --counts, not with --per-ml")
    try:
        answer = code_answer.answer(
            code_answer.Question(
                values=counts or per_ml,
                volume_ml=volume_ml if counts else None,
                dilution=dilution,
                standard=standard,
                sensing_volume_ml=sensing_volume_ml,
                confidence=confidence,
                volume_uncertainty=volume_uncertainty,
            )
        )
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    if as_json:
        output.print_json(answer)
        return
    for line in code_answer.lines(answer, detail):
        output.say(line)
    for note in answer["notes"]:
        click.echo(f"note: {note}", err=True)


@click.command(short_help="Viscosity at a temperature, viscosity index, ISO grade of an oil.")
@click.option("--v40", type=Number(), required=True, help="Kinematic viscosity at 40 degC, mm2/s.")
@click.option("--v100", type=Number(), required=True, help="Kinematic viscosity at 100 degC, mm2/s.")
@click.option("--at", type=Number(), metavar="DEGC", help="Temperature at which the viscosity is wanted.")
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
        index = _number(viscosity_index(v40, v100), 2)
        grade = int(d341.iso_vg(v40)) or None
        answer: dict[str, Any] = {"viscosity_index": index, "iso_vg": grade, "notes": []}
        if at is not None:
            answer["at_c"] = at
            answer["viscosity_mm2_s"] = _number(d341.viscosity(line, at), 6, significant=True)
        if viscosity is not None:
            answer["viscosity_wanted_mm2_s"] = viscosity
            answer["temperature_c"] = _number(d341.temperature(line, viscosity), 2)
    except ValueError as error:
        raise click.UsageError(str(error)) from None
    notes = answer["notes"]
    if at is not None and answer["viscosity_mm2_s"] is None:
        notes.append(f"at {at:g} degC the viscosity is outside 0.21 to 2e7 mm2/s, where D341 does not hold")
    if any(t is not None and not 40 <= t <= 100 for t in (at, answer.get("temperature_c"))):
        notes.append("outside 40 to 100 degC: an extrapolation, never below the cloud point")
    if index is None:
        notes.append("the viscosity index is not defined below 2 mm2/s at 100 degC")
    if grade is None:
        notes.append("between the grades of ISO 3448, or beyond them: no ISO VG")
    if as_json:
        output.print_json(answer)
        return
    if answer.get("viscosity_mm2_s") is not None:
        output.say(f"viscosity at {at:g} degC  {answer['viscosity_mm2_s']:.4g} mm2/s")
    if viscosity is not None:
        output.say(f"{viscosity:g} mm2/s at         {answer['temperature_c']:.1f} degC")
    output.say(f"viscosity index       {'not defined' if index is None else round(index)}")
    output.say(f"ISO viscosity grade   {'none' if grade is None else f'VG {grade}'}")
    for note in notes:
        click.echo(f"note: {note}", err=True)


@click.command(short_help="Water in oil: content, saturation elsewhere, where free water appears.")
@click.option("--rs", type=Number(0, 100), required=True, help="Relative saturation, %.")
@click.option("--temp", type=Number(), required=True, metavar="DEGC", help="Temperature of that reading.")
@click.option("--to", type=Number(), metavar="DEGC", help="Another temperature to carry it to.")
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
    type=(Number(), Number(), Number()),
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
    from skidwright.trade import water as wet

    try:
        oil = _solubility(constants, a, b, point)
        content = wet.content_ppm(rs, temp, oil)
        carried = wet.carry(rs, temp, temp if to is None else to, oil)
        answer: dict[str, Any] = {
            "rs_percent": _number(carried.rs_percent, 3),
            "at_c": temp if to is None else to,
            "content_ppm": _number(content, 2),
            "free_water_ppm": _number(carried.free_ppm, 2),
            "free_water_below_c": _number(wet.free_water_below_c(rs, temp, oil), 2),
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
    if rs == 100:
        notes.append("at 100 % the content is the least there is: free water does not show in a reading")
    if as_json:
        output.print_json(answer)
        return
    output.say(f"water content         {answer['content_ppm']:g} ppm by mass")
    if to is not None:
        free = f", and {answer['free_water_ppm']:g} ppm of free water" if answer["free_water_ppm"] else ""
        output.say(f"saturation at {to:g} degC  {answer['rs_percent']:.1f} %{free}")
    below = answer["free_water_below_c"]
    output.say(f"free water below      {'never' if below is None else f'{below:.1f} degC'}")
    output.say(f"constants             {oil.name}: A = {oil.a:g}, B = {oil.b:g}")
    for note in notes:
        click.echo(f"note: {note}", err=True)


def _solubility(
    name: str, a: float | None, b: float | None, points: tuple[tuple[float, float, float], ...]
) -> Any:
    from skidwright.trade import water as wet

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


def _number(value: Any, digits: int, significant: bool = False) -> float | None:
    """A plain rounded number for people and programs, None for what is not finite."""
    number = float(value)
    if not math.isfinite(number):
        return None
    return float(f"{number:.{digits}g}") if significant and number else round(number, digits)


commands = [code, fluid, water]
