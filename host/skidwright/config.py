"""skid.toml: the one file in which a user says what the skid is, what it samples, and what is good enough.

    note         a line for the top of every report
    [board]      settings of the firmware by name (docs/settings.md)
    [[asset]]    a machine that is sampled: number, name, fluid, target, ...
    [counter]    the particle counter: its band, sensing volume and calibration
    [checks]     thresholds of `skidwright check` (docs/checks.md)

Everything is checked by name and range. What is wrong is said in one line that
names the file, the key and the remedy.
"""

import datetime
import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skidboard import settings as board_settings

from skidwright.errors import ConfigError
from skidwright.toml_file import read_toml

if TYPE_CHECKING:
    from skidwright.checks.limits import CheckLimits
    from skidwright.trade.water import Solubility

_DAY_ZERO = datetime.date(2000, 1, 1)
_TOP = ("note", "board", "asset", "counter", "checks")
MAX_SCALE_NUMBER = 28


@dataclass(frozen=True)
class Asset:
    """A machine that is sampled. `target` is the worst acceptable ISO 4406 code, None when none was set."""

    number: int
    name: str = ""
    machine: str = ""
    fluid: str = ""
    target: tuple[int, int, int] | None = None
    water_limit_percent: float | None = None
    coldest_c: float | None = None
    water_a: float | None = None
    water_b: float | None = None

    @property
    def solubility(self) -> "Solubility | None":
        """This fluid's own constants of water solubility; None without `water_a` and `water_b`."""
        if self.water_a is None or self.water_b is None:
            return None
        from skidwright.trade.water import Solubility

        return Solubility(self.water_a, self.water_b, "own", "water_a and water_b of the asset")

    @property
    def title(self) -> str:
        """Its name, or "Asset 3" when it has none."""
        return self.name or f"Asset {self.number}"


@dataclass(frozen=True)
class Counter:
    """The particle counter. Volumes in mL, flows in mL/min, dates as dates; None where nobody said."""

    name: str = ""
    band_ml_min: tuple[float, float] | None = None
    sensing_volume_ml: float | None = None
    calibration: str = ""
    calibrated: datetime.date | None = None
    calibration_due: datetime.date | None = None


@dataclass(frozen=True)
class Config:
    """All of skid.toml. `board` holds only settings that were given or follow from other tables.

    `note` stands at the top of every report.
    """

    path: Path | None = None
    board: dict[str, Any] = field(default_factory=dict)
    assets: dict[int, Asset] = field(default_factory=dict)
    counter: Counter = field(default_factory=Counter)
    checks: dict[str, float] = field(default_factory=dict)
    note: str = ""

    def asset(self, number: int) -> Asset:
        """The asset of that number; one with nothing but its number when skid.toml does not know it."""
        return self.assets.get(number) or Asset(number)

    def limits(self) -> "CheckLimits":
        """The thresholds of the checks: those given, what `[counter]` says, and defaults for the rest."""
        return _limits_class()(**self.checks)

    def board_in_force(self) -> dict[str, Any]:
        """All settings of the board: those given, and defaults for the rest."""
        return {**board_settings.defaults(), **self.board}


class _Reader:
    """Reads keys of one table and refuses what does not belong, always naming file and key."""

    def __init__(self, path: Path, table: str, values: Mapping[str, Any], known: Iterable[str]) -> None:
        self.path, self.table, self.values = path, table, values
        if not isinstance(values, Mapping):
            raise self.refuse(
                "", "must be a table", f"write it as [{table}] with `key = value` lines below it"
            )
        known = list(known)
        for key in values:
            if key not in known:
                page = "docs/checks.md" if table == "checks" else "docs/settings.md"
                raise self.refuse(key, "there is no such key", suggestion(key, known, page))

    def refuse(self, key: str, what: str, remedy: str) -> ConfigError:
        """The error for `key` of this table."""
        where = f"[{self.table}] {key}" if self.table else key
        return ConfigError(what, f"{self.path}: {where}".rstrip(), remedy)

    def text(self, key: str) -> str:
        value = self.values.get(key, "")
        if not isinstance(value, str) or len(value) > 200 or not value.isprintable():
            raise self.refuse(key, f"{value!r} is no text", "give up to 200 printable characters in quotes")
        return value

    def number(self, key: str, low: float, high: float, unit: str) -> float | None:
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= high:
            raise self.refuse(
                key, f"{value!r} is not allowed", f"give a number from {low:g} to {high:g} {unit}".rstrip()
            )
        return value

    def date(self, key: str) -> datetime.date | None:
        value = self.values.get(key)
        if value is None:
            return None
        if isinstance(value, datetime.datetime) or not isinstance(value, datetime.date) or value <= _DAY_ZERO:
            raise self.refuse(
                key,
                f"{str(value)!r} is no date",
                "write it as 2026-03-31, without quotes, later than 2000-01-01",
            )
        return value


def suggestion(name: str, known: Iterable[str], page: str = "docs/settings.md") -> str:
    """A remedy for a name nobody knows: the nearest one, all when there are few, or the page with all."""
    known = sorted(known)
    near = difflib.get_close_matches(name, known, n=1, cutoff=0.6)
    if near:
        return f"did you mean {near[0]}?"
    if len(known) <= 10:
        return "known are " + ", ".join(known)
    return f"see {page} for all names"


def parse_code(text: str) -> tuple[int, int, int]:
    """An ISO 4406 code "18/16/13" (4, 6, 14 um(c)) as three numbers.

    Raises ValueError when it is not three whole numbers from 0 to 28, none larger than the one before it
    (the channels are cumulative).
    """
    parts = text.split("/")
    if len(parts) != 3 or not all(part.strip().isdecimal() for part in parts):
        raise ValueError("a code is three whole numbers with strokes between them, such as 18/16/13")
    first, second, third = (int(part) for part in parts)
    if not MAX_SCALE_NUMBER >= first >= second >= third >= 0:
        raise ValueError(f"numbers run from 0 to {MAX_SCALE_NUMBER} and none may exceed the one before it")
    return first, second, third


def format_code(code: Iterable[int]) -> str:
    """Scale numbers as "18/16/13"; numbers above the table print as ">28"."""
    return "/".join(str(n) if n <= MAX_SCALE_NUMBER else f">{MAX_SCALE_NUMBER}" for n in code)


def load(path: Path) -> Config:
    """Read and check a skid.toml.

    Raises ConfigError for anything unreadable, unknown, misspelt, of the wrong type or out of range.
    """
    try:
        raw = read_toml(path)
    except FileNotFoundError:
        raise ConfigError(
            "no such file", str(path), "check the name, or copy docs/skid.toml to start from"
        ) from None
    except OSError as error:
        raise ConfigError(
            error.strerror or "cannot be read", str(path), "check the file and its permissions"
        ) from None
    except ValueError as error:
        raise ConfigError(f"not valid TOML: {error}", str(path), "correct that place") from None
    return parse(raw, path)


def parse(raw: Mapping[str, Any], path: Path) -> Config:
    """Check the tables of a skid.toml that came from `path`. Raises ConfigError, see `load`."""
    note = _Reader(path, "", raw, _TOP).text("note")
    assets = _assets(raw.get("asset", []), path)
    counter = _counter(raw.get("counter", {}), path)
    board = _board(raw.get("board", {}), assets, counter, path)
    return Config(path, board, assets, counter, _checks(raw.get("checks", {}), counter, board, path), note)


def _assets(tables: Any, path: Path) -> dict[int, Asset]:
    if not isinstance(tables, list):
        raise ConfigError("must be a list of tables", f"{path}: asset", "write [[asset]] with two brackets")
    known = ("number", "name", "machine", "fluid", "target", "water_limit_percent", "coldest_c",
             "water_a", "water_b")  # fmt: skip
    assets: dict[int, Asset] = {}
    for place, table in enumerate(tables, 1):
        reader = _Reader(path, f"asset {place}", table, known)
        number = reader.number("number", 1, board_settings.MAX_ASSET_NUMBER, "")
        if not isinstance(number, int):
            what = "is missing" if number is None else f"{number!r} is no whole number"
            raise reader.refuse("number", what, f"give 1 to {board_settings.MAX_ASSET_NUMBER}")
        if table.get("name") == "":
            raise reader.refuse("name", "is empty", "give the machine a name, or leave the line out")
        if number in assets:
            raise reader.refuse("number", f"{number} stands twice", "give every asset a number of its own")
        target = None
        if "target" in table:
            try:
                target = parse_code(str(table["target"]))
            except ValueError as error:
                raise reader.refuse("target", f"{table['target']!r} is no code", str(error)) from None
        if ("water_a" in table) != ("water_b" in table):
            raise reader.refuse(
                "water_a", "stands without water_b, or that without it", "give both, or neither"
            )
        assets[number] = Asset(
            number,
            reader.text("name"),
            reader.text("machine"),
            reader.text("fluid"),
            target,
            reader.number("water_limit_percent", 0, 100, "% of saturation"),
            reader.number("coldest_c", -60, 150, "degC"),
            reader.number("water_a", 1, 20, ""),
            reader.number("water_b", 100, 5000, "K"),
        )
    return assets


def _counter(table: Any, path: Path) -> Counter:
    reader = _Reader(path, "counter", table, Counter.__dataclass_fields__)
    band = table.get("band_ml_min")
    if band is not None:
        numbers = isinstance(band, list) and len(band) == 2 and all(type(x) in (int, float) for x in band)
        if not numbers or not 1.2 <= band[0] < band[1] <= 1200:
            raise reader.refuse(
                "band_ml_min", f"{band!r} is no band", "give [lowest, highest] in mL/min, 1.2 to 1200"
            )
        band = (float(band[0]), float(band[1]))
    calibrated, due = reader.date("calibrated"), reader.date("calibration_due")
    if calibrated and due and due <= calibrated:
        raise reader.refuse(
            "calibration_due", f"{due} is not after calibrated {calibrated}", "correct the dates"
        )
    return Counter(
        reader.text("name"),
        band,
        reader.number("sensing_volume_ml", 1e-9, 1, "mL"),
        reader.text("calibration"),
        calibrated,
        due,
    )


def _board(table: Any, assets: dict[int, Asset], counter: Counter, path: Path) -> dict[str, Any]:
    known = [*board_settings.TABLE, board_settings.ASSETS, board_settings.METER_TABLE]
    reader = _Reader(path, "board", table, known)
    board = dict(table)
    # What other tables already say need not be said twice.
    if assets and board_settings.ASSETS not in board:
        board[board_settings.ASSETS] = list(assets)
    if counter.band_ml_min:
        low, high = counter.band_ml_min
        board.setdefault("flow_low_ul_s", round(low * 1000 / 60))
        board.setdefault("flow_high_ul_s", round(high * 1000 / 60))
        board.setdefault("flow_set_ul_s", round((low + high) * 500 / 60))
    if counter.calibration_due:
        board.setdefault("calibration_due_day", (counter.calibration_due - _DAY_ZERO).days)
    problems = board_settings.check_all(board)
    if problems:
        key, _, what = problems[0].partition(": ")
        raise reader.refuse(key, what, "see docs/settings.md for its meaning, unit and range")
    return board


def _checks(table: Any, counter: Counter, board: dict[str, Any], path: Path) -> dict[str, float]:
    known = _limits_class().__dataclass_fields__
    reader = _Reader(path, "checks", table, known)
    checks: dict[str, float] = {}
    for key in table:
        value = reader.number(key, 0, 1e9, "")
        if value is not None:
            checks[key] = value
    if counter.band_ml_min:
        low, high = counter.band_ml_min
        checks.setdefault("flow_low_ul_s", low * 1000 / 60)
        checks.setdefault("flow_high_ul_s", high * 1000 / 60)
    if counter.sensing_volume_ml:
        checks.setdefault("sensing_volume_ml", counter.sensing_volume_ml)
    if "meter_uncertainty_cpct" in board:
        checks.setdefault("volume_uncertainty_percent", board["meter_uncertainty_cpct"] / 100)
    try:
        _limits_class()(**checks)
    except ValueError as error:
        key, _, what = str(error).partition(": ")
        raise reader.refuse(key, what, "see docs/checks.md for its meaning") from None
    return checks


def _limits_class() -> "type[CheckLimits]":
    # Only what checks needs numpy; a command that talks to a board should not wait for it.
    from skidwright.checks.limits import CheckLimits

    return CheckLimits
