"""Options and values that the commands of the register share."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click
from click.core import ParameterSource

from skidwright.config import Config
from skidwright.errors import UnknownAsset
from skidwright.register.fields import (
    CODE,
    DATE,
    FIELDS,
    NUMBER,
    SCALE,
    Field,
    check_component,
    done,
    parse,
    refuse_ahead,
)
from skidwright.register.model import AssetRecord, Component

if TYPE_CHECKING:
    from skidwright.register import KnownAssets

Command = TypeVar("Command", bound=Callable[..., Any])
_SHAPES = {NUMBER: "NUMBER", SCALE: "NUMBER", DATE: "DATE", CODE: "CODE"}


class FieldType(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """The value of a field of the register, refused in its own words."""

    def __init__(self, field: Field) -> None:
        self._field = field
        self.name = _SHAPES.get(field.kind, "text")

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The value that the text stands for."""
        if not isinstance(value, str):
            return value
        try:
            return done(self._field, parse(self._field, value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


class ComponentType(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """`servo valve@210: spool 4 um`: type, pressure in bar, note; the last two may be left out."""

    name = "TYPE[@BAR][: NOTE]"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The component that the text stands for."""
        if not isinstance(value, str):
            return value
        head, _, note = value.partition(":")
        kind, at, pressure = head.partition("@")
        try:
            bar = float(pressure) if at else None
        except ValueError:
            self.fail(f"{value[:60]!r}: {pressure.strip()[:20]!r} is no pressure in bar", param, ctx)
        part = Component(kind.strip(), bar, note.strip())
        try:
            check_component(part)
        except ValueError as error:
            self.fail(f"{value[:60]!r}: {error}", param, ctx)
        return part


class Moment(click.ParamType):  # type: ignore[type-arg, unused-ignore]
    """A day or a moment in UTC, as ms since 1970: 2026-03-31, 2026-03-31T14:00, 2026-03-31T14:00:00Z."""

    name = "UTC"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """UTC in ms."""
        if not isinstance(value, str):
            return value
        try:
            moment = datetime.datetime.fromisoformat(value.strip())
        except ValueError:
            self.fail(f"{value[:40]!r} is no time: write 2026-03-31 or 2026-03-31T14:00Z, in UTC", param, ctx)
        if moment.tzinfo is None:
            moment = moment.replace(tzinfo=datetime.UTC)
        return round(moment.timestamp() * 1000)


class MomentDone(Moment):
    """A `Moment` at which something was done: not later than tomorrow by this computer's clock."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """UTC in ms."""
        utc_ms = super().convert(value, param, ctx)
        try:
            refuse_ahead(datetime.date(1970, 1, 1) + datetime.timedelta(days=utc_ms // 86_400_000))
        except (ValueError, OverflowError) as error:
            self.fail(str(error), param, ctx)
        return utc_ms


def now_ms() -> int:
    """The time of this computer's clock, UTC in ms."""
    return round(datetime.datetime.now(datetime.UTC).timestamp() * 1000)


def counted(number: int, thing: str) -> str:
    """So many of a thing: "1 machine", "3 machines"."""
    return f"{number} {thing}" if number == 1 else f"{number:,} {thing}s"


number_argument = click.argument("number", type=click.IntRange(1, 65535))


def field_options(command: Command) -> Command:
    """An option for each field of the register, passed on by its name; None when not given."""
    command = click.option(
        "--component",
        "components",
        multiple=True,
        type=ComponentType(),
        help="A component of the machine; may be repeated. All of them are replaced by those given.",
    )(command)
    for field in reversed(FIELDS):
        end = f" {field.low:g} to {field.high:g} {field.unit}".rstrip() + "." if field.high else ""
        metavar = {CODE: "18/16/13", DATE: "2026-03-31"}.get(field.kind)
        command = click.option(
            field.option, field.name, type=FieldType(field), metavar=metavar, help=field.meaning + end
        )(command)
    return command


def given_values(values: dict[str, Any]) -> dict[str, Any]:
    """Those fields that the command line gave."""
    given = {name: value for name, value in values.items() if value is not None and value != ()}
    return {name: tuple(value) if name == "components" else value for name, value in given.items()}


def known(config: Config, archive: Path, as_pulled: bool = False) -> KnownAssets:
    """The register and skid.toml, merged, as they are now; `as_pulled`: for whatever reads samples.

    Raises RegisterError, ArchiveError for a folder that is not there. Only a folder that was typed in need
    be there: the usual place may still be without one.
    """
    from skidwright.errors import ArchiveError
    from skidwright.register import assets_today, known_assets

    context = click.get_current_context(silent=True)
    typed = context is not None and context.get_parameter_source("archive") is ParameterSource.COMMANDLINE
    if typed and not archive.is_dir():
        remedy = "check the name; `skidwright asset add` and `pull` make a new one"
        raise ArchiveError("there is no such folder", str(archive), remedy)
    return known_assets(config, archive) if as_pulled else assets_today(config, archive)


def known_asset(config: Config, archive: Path, number: int) -> AssetRecord:
    """A known asset. Raises UnknownAsset."""
    found = known(config, archive)
    if number not in found:
        have = re.sub(r"(.{80}).*", r"\1…", ", ".join(map(str, found)))
        raise UnknownAsset(
            f"no asset {number} in the register or skid.toml", str(archive),
            f"there are: {have}" if have else f"enter it with `skidwright asset add {number}`",
        )  # fmt: skip
    return found[number]
