"""Scenario files: TOML in, checked dataclasses out; anything unknown or out of range is refused by name."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from skidboard import settings

from skidwright.config.checked_toml import read_toml
from skidwright.errors import ScenarioError
from skidwright.sim import scenario_keys as keys
from skidwright.sim.scenario_keys import FAULT_KINDS, HOUR_S, PlantFault, Scenario

POWER_KINDS = ("power_off", "power_cut")
# Bit of each kind in the truth's `faults`.
FAULT_BITS = {kind: 1 << i for i, kind in enumerate(FAULT_KINDS)}


def amount(fault: PlantFault) -> float:
    """A fault's amount, or its kind's default."""
    return fault.amount if fault.amount >= 0 else FAULT_KINDS[fault.kind][1]


class Schedule:
    """The faults of a scenario in virtual time. `update` says what is active now."""

    def __init__(self, faults: Sequence[PlantFault]) -> None:
        self._plain: list[PlantFault] = []
        self._edges: list[float] = []
        for fault in faults:
            if fault.kind not in POWER_KINDS:
                self.add(fault)
        self._power = sorted((f for f in faults if f.kind in POWER_KINDS), key=lambda f: f.start_s)
        self.next_power_us = self._next_power_us()

    def add(self, fault: PlantFault) -> None:
        """Take one more fault (none of the supply)."""
        self._plain.append(fault)
        self._edges = sorted({*self._edges, fault.start_s, *([fault.end_s] if fault.end_s >= 0 else [])})

    def update(self, t_s: float, asset: int) -> tuple[dict[str, float], list[int], float]:
        """Faults active at `t_s` for `asset`: {kind: amount}, dead channels, time of the next change."""
        active = {}
        dead = []
        for f in self._plain:
            if f.start_s <= t_s and (f.end_s < 0 or t_s < f.end_s) and f.asset in (0, asset):
                active[f.kind] = amount(f)
                if f.kind == "dead_channel":
                    dead.append(f.channel - 1)
                elif f.kind == "swapped_channels":
                    active[f.kind] = f.channel
                elif f.kind == "meter_drift":
                    active[f.kind] *= (t_s - f.start_s) / HOUR_S
        change = next((e for e in self._edges if e > t_s), math.inf)
        return active, dead, change

    def _next_power_us(self) -> int:
        return round(self._power[0].start_s * 1e6) if self._power else 1 << 62

    def take_power(self) -> PlantFault:
        """The next fault of the supply, taken off the list; `next_power_us` moves on."""
        fault = self._power.pop(0)
        self.next_power_us = self._next_power_us()
        return fault


PACKAGED = Path(__file__).resolve().parent.parent / "scenarios"


def packaged(name: str) -> Path:
    """Path of a scenario that comes with the package, such as "ferry".

    Raises ScenarioError when there is none of that name.
    """
    path = PACKAGED / f"{name.removesuffix('.toml')}.toml"
    if not path.is_file():
        there = ", ".join(sorted(p.stem for p in PACKAGED.glob("*.toml")))
        raise ScenarioError(f"{name}: no such scenario; there are {there}")
    return path


def load(path: Path | str) -> Scenario:
    """The scenario in a TOML file.

    Raises ScenarioError for a file that cannot be read, is no TOML, or holds a
    key that is unknown, missing, of the wrong kind or out of range.
    """
    path = Path(path)
    if not path.exists() and path.parent == Path() and not path.suffix:
        path = packaged(str(path))
    try:
        table = read_toml(path)
    except OSError as problem:
        raise ScenarioError(
            f"{path}: {problem.strerror or problem}; check the name and its permissions"
        ) from None
    except ValueError as problem:
        raise ScenarioError(f"{path}: not valid TOML: {problem}; correct that place") from None
    try:
        return from_table(table)
    except ScenarioError as problem:
        raise ScenarioError(f"{path}: {problem}; see docs/scenarios.md") from None


def from_table(table: dict[str, Any]) -> Scenario:
    """The scenario in a parsed TOML table. Raises ScenarioError as `load` does."""
    scenario: Scenario = _build(Scenario, table, "")
    _check_whole(scenario)
    return scenario


def seconds(value: Any, where: str) -> float:
    """A time in seconds from a number of seconds or from text "h:mm" or "h:mm:ss".

    Raises ScenarioError when it is neither.
    """
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    parts = value.split(":") if isinstance(value, str) else []
    if len(parts) in (2, 3) and all(p.isdigit() for p in parts) and all(int(p) < 60 for p in parts[1:]):
        parts += ["0"] * (3 - len(parts))
        return float(int(parts[0]) * 3600 + int(parts[1]) * 60 + int(parts[2]))
    raise ScenarioError(f'{where}: {value!r} is no time; write seconds or "h:mm:ss"')


def _build(cls: Any, table: Any, where: str) -> Any:
    if not isinstance(table, dict):
        raise ScenarioError(f"{where}: a table is needed")
    prefix = f"{where}." if where else ""
    fields = {f.name.removesuffix("_s") if f.metadata.get("unit") == "time" else f.name: f for f in
              dataclasses.fields(cls)}  # fmt: skip
    for name in table:
        if name not in fields:
            raise ScenarioError(f"{prefix}{name}: no such key; there are {', '.join(fields)}")
    values = {}
    for name, f in fields.items():
        if name in table:
            values[f.name] = _value(f, table[name], prefix + name)
        elif f.default is dataclasses.MISSING and f.default_factory is dataclasses.MISSING:
            raise ScenarioError(f"{prefix}{name}: is missing")
    return cls(**values)


_PARTS: dict[str, Any] = {
    "board": keys.BoardOptions,
    "line": keys.PlantLine,
    "pump": keys.PlantPump,
    "sensor": keys.Sensor,
    "meter": keys.PlantMeter,
    "water": keys.WaterLoop,
    "temperature": keys.Temperature,
}
_LISTS: dict[str, Any] = {
    "asset": keys.PlantAsset,
    "top_up": keys.TopUp,
    "cart": keys.Cart,
    "fault": keys.PlantFault,
    "contact": keys.PlantContact,
}


def _value(f: Any, value: Any, where: str) -> Any:
    """One key's value, checked against its field."""
    unit = f.metadata.get("unit", "")
    if f.name in _PARTS and f.type == _PARTS[f.name].__name__:
        return _build(_PARTS[f.name], value, where)
    if f.name in _LISTS and f.type.startswith("tuple"):
        if not isinstance(value, list):
            raise ScenarioError(f"{where}: a list of tables is needed, [[{where}]]")
        return tuple(_build(_LISTS[f.name], item, f"{where}[{i + 1}]") for i, item in enumerate(value))
    if f.type == "datetime":
        if not isinstance(value, datetime):
            raise ScenarioError(f"{where}: a date and time is needed, such as 2026-03-02T05:30:00Z")
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    if f.type.startswith("list[list"):
        return _points(f, value, where)
    if f.type == "list[str]":
        if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
            raise ScenarioError(f"{where}: a list of texts is needed")
        return list(value)
    if f.type == "list[float]":
        if not isinstance(value, list) or len(value) != 4:
            raise ScenarioError(f"{where}: a list of four numbers is needed")
        return [_number(f, v, where) for v in value]
    if f.type.startswith("dict"):
        if not isinstance(value, dict):
            raise ScenarioError(f"{where}: a table is needed")
        return dict(value)
    if unit == "time":
        return _number(f, seconds(value, where), where)
    if f.type in ("str", "bool"):
        if type(value).__name__ != f.type:
            raise ScenarioError(f"{where}: {'text' if f.type == 'str' else 'true or false'} is needed")
        return value
    if f.type == "int" and not isinstance(value, int):
        raise ScenarioError(f"{where}: a whole number is needed, not {value!r}")
    return _number(f, value, where)


def _number(f: Any, value: Any, where: str) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ScenarioError(f"{where}: a number is needed, not {value!r}")
    low, high = f.metadata["low"], f.metadata["high"]
    if not low <= value <= high:
        raise ScenarioError(
            f"{where}: {value:g} is outside {low:g} to {high:g} {f.metadata['unit']}".rstrip()
        )
    return value if f.type == "int" else float(value)


def _points(f: Any, value: Any, where: str) -> list[list[float]]:
    """[time, value] pairs in order of time, or one number for always."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        value = [[0, value]]
    if not isinstance(value, list) or not value:
        raise ScenarioError(f"{where}: a number or a list of [time, value] pairs is needed")
    points: list[list[float]] = []
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2:
            raise ScenarioError(f"{where}: {pair!r} is no [time, value] pair")
        at = seconds(pair[0], where)
        if points and at <= points[-1][0]:
            raise ScenarioError(f"{where}: times must rise, {pair[0]!r} does not")
        points.append([at, float(_number(f, pair[1], where))])
    return points


def _check_whole(scenario: Scenario) -> None:
    """What only makes sense together. Raises ScenarioError."""
    # Whoever built this skid has measured its line.
    scenario.settings.setdefault("line_volume_ul", round(scenario.line.volume_ml * 1000))
    problems = settings.check_all(scenario.settings)
    if problems:
        raise ScenarioError(f"settings.{problems[0]}")
    numbers = [a.number for a in scenario.asset]
    if not 1 <= len(numbers) <= settings.MAX_ASSETS:
        raise ScenarioError(f"asset: 1 to {settings.MAX_ASSETS} are needed, there are {len(numbers)}")
    if len(set(numbers)) != len(numbers):
        raise ScenarioError("asset: a number stands twice")
    wanted = scenario.settings.setdefault(settings.ASSETS, list(numbers))
    if list(wanted) != numbers:
        raise ScenarioError(
            f"settings.assets: {list(wanted)} must list the assets' numbers, {numbers}, in order"
        )
    for a in scenario.asset:
        if a.v40_mm2_s <= a.v100_mm2_s:
            raise ScenarioError(f"asset {a.number}: v40_mm2_s must be above v100_mm2_s")
    for t in scenario.top_up:
        if t.asset not in numbers:
            raise ScenarioError(f"top_up.asset: {t.asset} is no asset here; there are {numbers}")
    for c in scenario.cart:
        if c.asset not in numbers:
            raise ScenarioError(f"cart.asset: {c.asset} is no asset here; there are {numbers}")
        if c.output <= len(numbers):
            raise ScenarioError(f"cart.output: output {c.output} opens a sampling valve")
    for f in scenario.fault:
        _check_fault(f, numbers)
    times = [c.at_s for c in scenario.contact]
    if times != sorted(times) or (times and times[-1] > scenario.duration_s):
        raise ScenarioError("contact.at: contacts must stand in order of time and within the duration")
    if scenario.sensor.flow_low_ml_s >= scenario.sensor.flow_high_ml_s:
        raise ScenarioError("sensor.flow_low_ml_s: must be below flow_high_ml_s")
    if scenario.temperature.low_c >= scenario.temperature.high_c:
        raise ScenarioError("temperature.low_c: must be below high_c")


def _check_fault(f: keys.PlantFault, numbers: list[int]) -> None:
    if f.kind not in keys.FAULT_KINDS:
        raise ScenarioError(f"fault.kind: {f.kind!r} is unknown; there are {', '.join(keys.FAULT_KINDS)}")
    if f.asset and f.asset not in numbers:
        raise ScenarioError(f"fault.asset: {f.asset} is no asset here; there are {numbers}")
    if f.end_s >= 0 and f.end_s <= f.start_s:
        raise ScenarioError(f"fault {f.kind}: end must come after start")
    if f.kind == "power_off" and f.end_s < 0:
        raise ScenarioError("fault power_off: end is missing")
    if f.kind == "dead_channel" and not f.channel:
        raise ScenarioError("fault dead_channel: channel is missing")
    if f.kind == "swapped_channels" and not 1 <= f.channel <= 3:
        raise ScenarioError("fault swapped_channels: channel must be 1, 2 or 3")
    if f.flash_operation and f.kind != "power_cut":
        raise ScenarioError(f"fault {f.kind}: flash_operation belongs to power_cut only")
