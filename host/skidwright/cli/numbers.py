"""Numbers on the command line and in answers, for the commands that compute without a skid."""

import math
import re
from typing import Any

import click

_VALUE = re.compile(r"[-*]|[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


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
    """Lets the options in `lists` take all the values that follow them: `--per-ml 1300 640 80`."""

    lists: tuple[str, ...] = ("--per-ml", "--counts", "--compare")

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, after each value of a list was given its own option."""
        spread: list[str] = []
        taking = ""
        for arg in args:
            name, equals, value = arg.partition("=")
            if taking and _VALUE.fullmatch(arg):
                spread.append(f"{taking}={arg}")
            elif name in self.lists:
                taking = name
                if equals:
                    spread.append(f"{name}={value}")
            else:
                taking = ""
                spread.append(arg)
        return super().parse_args(ctx, spread)


def percent(_ctx: click.Context, _param: click.Parameter, value: float) -> float:
    """For options in per cent: the number as a share of 1."""
    return value / 100


def rounded(value: Any, digits: int, significant: bool = False) -> float | None:
    """A plain rounded number for people and programs, None for what is not finite."""
    number = float(value)
    if not math.isfinite(number):
        return None
    return float(f"{number:.{digits}g}") if significant and number else round(number, digits)
