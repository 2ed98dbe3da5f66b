"""The columns of an asset, once: for the command line, CSV tables, the database and the checks of values.

A field's name carries its unit. Texts are one line of up to 200 characters; notes may have more lines.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass, fields
from typing import Any

from skidboard import settings as board_settings

from skidwright.errors import RegisterError
from skidwright.formulas.iso4406 import MAX_SCALE_NUMBER, format_code, parse_code
from skidwright.register.model import EVENT_KINDS, AssetRecord, Component, Event

TEXT, NOTES, NUMBER, SCALE, DATE, CODE = "text", "notes", "number", "scale number", "date", "code"
MAX_TEXT, MAX_NOTES, MAX_COMPONENTS = 200, 4000, 50
MAX_PRESSURE_BAR = 2000.0
FIRST_DAY = datetime.date(1970, 1, 1)
LAST_UTC_MS = 4_102_444_800_000  # 2100-01-01


@dataclass(frozen=True)
class Field:
    """One column. `header` is its name in tables; `low` and `high` hold for numbers, in `unit`."""

    name: str
    kind: str
    meaning: str
    unit: str = ""
    low: float = 0
    high: float = 0
    header: str = ""

    @property
    def title(self) -> str:
        """Its name in tables and messages."""
        return self.header or self.name

    @property
    def option(self) -> str:
        """Its option on the command line."""
        return "--" + self.name.replace("_", "-")


FIELDS = (
    Field("name", TEXT, "Short name."),
    Field("machine", TEXT, "What machine it is, and where."),
    Field("fluid", TEXT, "The fluid in it."),
    Field("v40_mm2_s", NUMBER, "Kinematic viscosity of the fluid at 40 degC.", "mm2/s", 0.5, 100_000),
    Field("v100_mm2_s", NUMBER, "Kinematic viscosity of the fluid at 100 degC.", "mm2/s", 0.5, 10_000),
    Field("water_a", NUMBER, "The fluid's own A of log10 S = A - B/T; with water_b.", "", 1, 20),
    Field("water_b", NUMBER, "The fluid's own B of log10 S = A - B/T; with water_a.", "K", 100, 5000),
    Field("volume_l", NUMBER, "Fluid in the machine.", "L", 0.001, 1e7),
    Field("filter_name", TEXT, "The filter that is fitted."),
    Field("filter_ratio", NUMBER, "Filtration ratio of that filter, at filter_size_um.", "", 1, 1e6),
    Field("filter_size_um", NUMBER, "Particle size at which filter_ratio holds.", "um(c)", 0.5, 1000),
    Field("filter_fitted", DATE, "Day on which that filter was fitted."),
    Field("target", CODE, "Worst ISO 4406 code that is accepted.", header="target_iso4406"),
    Field("target_21um", SCALE, "Worst scale number accepted for >=21 um(c).", "", 0, MAX_SCALE_NUMBER),
    Field("water_limit_percent", NUMBER, "Highest water saturation that is accepted.", "%", 0, 100),
    Field("coldest_c", NUMBER, "Coldest the fluid gets, standing.", "degC", -60, 150),
    Field("sampling_point", TEXT, "Where the sample is taken."),
    Field("interval_h", NUMBER, "Hours from one sample to the next, at most.", "h", 0.01, 100_000),
    Field("notes", NOTES, "Anything else worth knowing."),
)  # fmt: skip
BY_NAME = {field.name: field for field in FIELDS}
BY_TITLE = {field.title: field for field in FIELDS}
assert {f.name for f in fields(AssetRecord)} == {*BY_NAME, "number", "components"}


def parse(field: Field, text: str) -> Any:
    """The value that `text` stands for, None or "" for an empty one; ValueError, in words, if none."""
    if field.kind in (TEXT, NOTES):
        return checked(field, text.replace("\r\n", "\n").strip())
    text = text.strip()
    if not text:
        return None
    value: Any
    try:
        if field.kind == NUMBER:
            value = float(text)
        elif field.kind == SCALE:
            value = int(text)
        elif field.kind == DATE:
            value = datetime.date.fromisoformat(text)
    except ValueError:
        kinds = {NUMBER: "a number", SCALE: "a whole number", DATE: "a date such as 2026-03-31"}
        raise ValueError(f"{text[:40]!r} is not {kinds[field.kind]}") from None
    if field.kind == CODE:
        value = parse_code(text)
    return checked(field, value)


def checked(field: Field, value: Any) -> Any:
    """`value` when it is allowed in `field`; ValueError, in words, when not."""
    if field.kind in (TEXT, NOTES):
        lines = value.split("\n") if field.kind == NOTES else [value]
        limit = MAX_NOTES if field.kind == NOTES else MAX_TEXT
        if len(value) > limit or not all(line.isprintable() for line in lines) or value != value.strip():
            raise ValueError(f"{value[:40]!r} is not allowed: up to {limit} printable characters")
    elif value is None:
        return None
    elif field.kind in (NUMBER, SCALE):
        if not math.isfinite(value) or not field.low <= value <= field.high:
            raise ValueError(
                f"{value:g} is not allowed: give {field.low:g} to {field.high:g} {field.unit}".rstrip()
            )
    elif field.kind == DATE and value < FIRST_DAY:
        raise ValueError(f"{value} is too long ago")
    elif field.kind == CODE:
        parse_code(format_code(value))
    return value


def done(field: Field, value: Any) -> Any:
    """`value` of a field that somebody enters; ValueError for the day of a thing done that is yet to come."""
    if field.kind == DATE and value is not None:
        refuse_ahead(value)
    return value


def refuse_ahead(day: datetime.date) -> None:
    """ValueError for a day later than tomorrow: clocks differ by time zones, not by more."""
    today = datetime.datetime.now(datetime.UTC).date()
    if day > today + datetime.timedelta(days=1):
        raise ValueError(f"{day} is yet to come: by this computer's clock today is {today}")


def text_of(field: Field, value: Any) -> str:
    """`value` as `parse` reads it back."""
    if value is None:
        return ""
    if isinstance(value, str):
        return value
    if field.kind == CODE:
        return format_code(value)
    return number_text(value) if field.kind == NUMBER else str(value)


def number_text(value: float) -> str:
    """A float as the shortest text that reads back as the same; whole ones without a point."""
    return repr(float(value)).removesuffix(".0")


def check_number(number: int) -> None:
    """ValueError unless an asset may have this number."""
    if not 1 <= number <= board_settings.MAX_ASSET_NUMBER:
        raise ValueError(
            f"{number} is not allowed: asset numbers run from 1 to {board_settings.MAX_ASSET_NUMBER}"
        )


def check_component(part: Component) -> None:
    """ValueError, in words, unless the register may hold `part`."""
    kind, note = Field("type", TEXT, ""), Field("note", TEXT, "")
    if not checked(kind, part.type):
        raise ValueError("a component needs a type")
    checked(note, part.note)
    if part.pressure_bar is not None:
        checked(Field("pressure_bar", NUMBER, "", "bar", 0, MAX_PRESSURE_BAR), part.pressure_bar)


def check(record: AssetRecord) -> None:
    """RegisterError that names the first field of `record` that may not stand so in the register."""
    name = "number"
    try:
        check_number(record.number)
        for name, field in BY_NAME.items():
            checked(field, getattr(record, name))
        name = "components"
        if len(record.components) > MAX_COMPONENTS:
            raise ValueError(f"more than {MAX_COMPONENTS} are not allowed")
        for part in record.components:
            check_component(part)
        name = "water_a"
        if (record.water_a is None) != (record.water_b is None):
            raise ValueError("stands without water_b, or that without it: give both, or neither")
    except ValueError as error:
        raise RegisterError(str(error), f"asset {record.number}: {name}") from None


def checked_event(event: Event) -> None:
    """RegisterError unless the register may hold `event`."""
    name = "kind"
    try:
        if event.kind not in EVENT_KINDS:
            raise ValueError(f"{event.kind!r} is no kind of event: known are {', '.join(EVENT_KINDS)}")
        name = "time"
        if not 0 <= event.utc_ms < LAST_UTC_MS:
            raise ValueError(f"{event.utc_ms} ms is no time from 1970 to 2099")
        name = "text"
        checked(Field("text", TEXT, ""), event.text)
        for name in ("volume_l", "downtime_h", "cost"):
            checked(Field(name, NUMBER, "", "", 0, 1e9), getattr(event, name))
    except ValueError as error:
        raise RegisterError(str(error), f"event of asset {event.asset}: {name}") from None
