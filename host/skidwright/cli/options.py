"""Options that several commands share, how what is typed becomes moments and numbers, and the question
before what cannot be undone."""

import datetime
import math
import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from skidwright.config import Config


def agreed(question: str, yes: bool) -> bool:
    """Whether the user says yes, or said so beforehand with --yes.

    Raises UsageError where there is nobody to ask: input is no terminal.
    """
    if yes:
        return True
    ask(question)
    return click.confirm(question, default=False, err=True)


def ask(question: str, remedy: str = "give --yes") -> None:
    """Raise UsageError when there is nobody who could answer."""
    if not sys.stdin.isatty():
        raise click.UsageError(f"{question} There is no terminal to ask at: {remedy}")


if TYPE_CHECKING:
    import numpy as np


def utc() -> datetime.datetime:
    """Now, in UTC."""
    return datetime.datetime.now(datetime.UTC)


def now() -> "np.datetime64":
    """Now in UTC, datetime64[ms]."""
    import numpy as np

    return np.datetime64(utc().replace(tzinfo=None), "ms")


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


Command = TypeVar("Command", bound=Callable[..., Any])
CONFIG_NAME = "skid.toml"


def default_archive() -> Path:
    """Where logs go when nobody says: the place for users' data of this operating system."""
    from platformdirs import user_data_path

    return user_data_path("skidwright", appauthor=False) / "archive"


def found_config(given: Path | None) -> Config:
    """skid.toml as given, else from here, else from the user's place for settings, else the defaults.

    Raises ConfigError.
    """
    from platformdirs import user_config_path

    from skidwright import config

    if given is not None:
        return config.load(given)
    for place in (Path(CONFIG_NAME), user_config_path("skidwright", appauthor=False) / CONFIG_NAME):
        if place.is_file():
            return config.load(place)
    return Config()


def archive_option(command: Command) -> Command:
    """`--archive DIR`, passed on as `archive: Path`."""
    return click.option(
        "--archive",
        type=click.Path(path_type=Path, file_okay=False),
        envvar="SKIDWRIGHT_ARCHIVE",
        callback=lambda _ctx, _param, value: value or default_archive(),
        help="Where pulled logs are kept.  [default: the user's data directory; env SKIDWRIGHT_ARCHIVE]",
    )(command)


def config_option(command: Command) -> Command:
    """`--config FILE`, read and checked, passed on as `config: Config`."""
    return _config_option(found_config)(command)


def config_path_option(command: Command) -> Command:
    """`--config FILE`, not read yet, as `config: Path | None` for `found_config`: where much goes without."""
    return _config_option(None)(command)


def _config_option(read: Callable[[Path | None], Config] | None) -> Callable[[Command], Command]:
    return click.option(
        "--config",
        type=click.Path(path_type=Path),
        envvar="SKIDWRIGHT_CONFIG",
        callback=lambda _ctx, _param, value: read(value) if read else value,
        help="The skid.toml to use.  [default: ./skid.toml, then the user's; env SKIDWRIGHT_CONFIG]",
    )


def key_option(command: Command) -> Command:
    """`--key FILE`, read, passed on as `keys: list[bytes]`, empty when not given."""

    def read(_ctx: click.Context, _param: click.Parameter, value: Path | None) -> list[bytes]:
        from skidwright.log import seal as log_keys

        return log_keys.read_key(value) if value is not None else []

    return click.option(
        "--key",
        "keys",
        type=click.Path(path_type=Path),
        callback=read,
        help="File with the key of the board's log.  [default: the one kept when it was installed]",
    )(command)


def json_option(command: Command) -> Command:
    """`--json`, passed on as `as_json: bool`."""
    return click.option("--json", "as_json", is_flag=True, help="Answer in JSON, for programs.")(command)


def port_argument(command: Command) -> Command:
    """The argument PORT, passed on as `port: str`."""
    return click.argument("port", envvar="SKIDWRIGHT_PORT")(command)
