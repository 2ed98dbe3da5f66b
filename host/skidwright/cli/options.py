"""Options and arguments that several commands share, and the places they stand for."""

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from skidwright.config import Config

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
        from skidwright.log import keys as log_keys

        return log_keys.read(value) if value is not None else []

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
