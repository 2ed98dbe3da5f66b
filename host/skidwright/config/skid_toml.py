"""skid.toml: the one file in which a user says what the skid is, what it samples, and what is good enough.

    note         a line for the top of every report and certificate
    [board]      settings of the firmware by name (docs/settings.md)
    [[asset]]    a machine that is sampled: number, name, fluid, target, ...
    [counter]    the particle counter: its band, sensing volume and calibration
    [checks]     thresholds of `skidwright check` (docs/checks.md)
    [judgement]  how old samples and calibrations may be (docs/judgement.md)

Everything is checked by name and range. What is wrong is said in one line that
names the file, the key and the remedy.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from skidboard import settings as board_settings

from skidwright.config.checked_toml import DAY_ZERO, TableReader, read_toml
from skidwright.config.model import Asset, Config, Counter, Judging, limits_class
from skidwright.errors import ConfigError
from skidwright.formulas.iso4406 import parse_code

_TOP = ("note", "board", "asset", "counter", "checks", "judgement")


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
    note = TableReader(path, "", raw, _TOP).text("note")
    assets = _assets(raw.get("asset", []), path)
    counter = _counter(raw.get("counter", {}), path)
    board = _board(raw.get("board", {}), assets, counter, path)
    checks = _checks(raw.get("checks", {}), counter, board, path)
    return Config(path, board, assets, counter, checks, _judging(raw.get("judgement", {}), path), note)


def _assets(tables: Any, path: Path) -> dict[int, Asset]:
    if not isinstance(tables, list):
        raise ConfigError("must be a list of tables", f"{path}: asset", "write [[asset]] with two brackets")
    known = ("number", "name", "machine", "fluid", "target", "water_limit_percent", "coldest_c",
             "water_a", "water_b")  # fmt: skip
    assets: dict[int, Asset] = {}
    for place, table in enumerate(tables, 1):
        reader = TableReader(path, f"asset {place}", table, known)
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
    reader = TableReader(path, "counter", table, Counter.__dataclass_fields__)
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


def _judging(table: Any, path: Path) -> Judging:
    reader = TableReader(path, "judgement", table, Judging.__dataclass_fields__)
    given = {name: reader.number(name, 0.01, 36500, "days") for name in Judging.__dataclass_fields__}
    return Judging(**{name: float(days) for name, days in given.items() if days is not None})


def _board(table: Any, assets: dict[int, Asset], counter: Counter, path: Path) -> dict[str, Any]:
    known = [*board_settings.TABLE, board_settings.ASSETS, board_settings.METER_TABLE]
    reader = TableReader(path, "board", table, known)
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
        board.setdefault("calibration_due_day", (counter.calibration_due - DAY_ZERO).days)
    problems = board_settings.check_all(board)
    if problems:
        key, _, what = problems[0].partition(": ")
        raise reader.refuse(key, what, "see docs/settings.md for its meaning, unit and range")
    return board


def _checks(table: Any, counter: Counter, board: dict[str, Any], path: Path) -> dict[str, float]:
    known = limits_class().__dataclass_fields__
    reader = TableReader(path, "checks", table, known)
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
        limits_class()(**checks)
    except ValueError as error:
        key, _, what = str(error).partition(": ")
        raise reader.refuse(key, what, "see docs/checks.md for its meaning") from None
    return checks
