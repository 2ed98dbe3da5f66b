"""Reads rig.toml: fluid, lines, pump, counter, meter, sampling; what is unknown or out of range is named."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skidwright.errors import RigError
from skidwright.formulas.viscosity import line_through

from ..tables import build, check_tables, read_toml, rows

PLACES = ("suction", "counter", "return")


@dataclass(frozen=True)
class RigFluid:
    """Viscosity at two temperatures (ASTM D341 between), density at 15 degC, temperatures to expect."""

    viscosity_40c_mm2_s: float
    viscosity_100c_mm2_s: float
    density_15c_kg_m3: float
    coldest_c: float
    hottest_c: float
    expansion_per_k: float = 0.00070  # mineral oil: common practice, no source
    vapour_pressure_bar: float = 0.0  # at the hottest; mineral oil has none to speak of, water-glycol has
    dissolved_air: float = 0.09  # Bunsen coefficient of mineral oil, volume of air per volume of oil at 1 atm


@dataclass(frozen=True)
class Tap:
    """Where the sample comes from: gauge pressure there (0 for a reservoir), pressure of the air."""

    pressure_low_bar: float
    pressure_high_bar: float
    air_bar_abs: float = 1.013


@dataclass(frozen=True)
class SampleLine:
    """A line in the order of the flow; `rise_m` is upwards positive, `loss` the sum of loss coefficients."""

    place: str
    bore_mm: float
    length_m: float
    horizontal_m: float = 0.0
    rise_m: float = 0.0
    loss: float = 0.0


@dataclass(frozen=True)
class RigPump:
    """Positive-displacement pump; slip and viscous torque are given at a viscosity and scale with it."""

    displacement_ml_rev: float
    speed_max_rpm: float
    slip_ml_min_bar: float
    slip_viscosity_mm2_s: float
    inlet_least_bar_abs: float
    pressure_limit_bar: float
    viscosity_max_mm2_s: float
    torque_limit_nm: float
    friction_nm: float
    viscous_nm_1000rpm: float
    viscous_viscosity_mm2_s: float
    power_limit_w: float
    dead_volume_ml: float = 2.0


@dataclass(frozen=True)
class RigCounter:
    """Optical counter: flow band, sensing volume, narrow passage, pressure limit, back pressure behind it."""

    flow_low_ml_min: float
    flow_high_ml_min: float
    sensing_volume_ul: float
    passage_bore_mm: float
    passage_length_mm: float
    pressure_limit_bar: float
    back_pressure_bar: float
    viscosity_max_mm2_s: float
    dead_volume_ml: float = 5.0


@dataclass(frozen=True)
class RigMeter:
    """Flow meter: pulse volume, range, viscosity limit; its drop at one flow and viscosity."""

    pulse_ul: float
    flow_low_ml_min: float
    flow_high_ml_min: float
    viscosity_max_mm2_s: float
    drop_bar: float
    drop_flow_ml_min: float
    drop_viscosity_mm2_s: float
    dead_volume_ml: float = 2.0


@dataclass(frozen=True)
class Sampling:
    """What is asked of a sample: volume, flushing, rhythm, cleanest code, what a count must rest on."""

    flow_ml_min: float
    volume_ml: float
    purge_flow_ml_min: float
    cleanest_code: tuple[int, int, int]
    dirtier_codes: float = 3.0  # scale numbers by which the fluid before may be dirtier
    leftover_percent: float = 10.0  # by which leftovers may falsify a count
    settle_s: float = 8.0
    rest_s: float = 300.0
    least_count: float = 20.0
    settling_loss_percent: float = 10.0
    coincidence_percent: float = 5.0
    log_segments: int = 280
    extra_records_percent: float = 10.0


@dataclass(frozen=True)
class Rig:
    """Everything that `skidwright size` is told."""

    name: str
    fluid: RigFluid
    tap: Tap
    lines: tuple[SampleLine, ...]
    pump: RigPump
    counter: RigCounter
    meter: RigMeter
    sampling: Sampling

    def flows_ml_min(self) -> dict[str, float]:
        """Every flow that the board holds in a cycle, clean-up runs included, by what is done at it."""
        return {"counting": self.sampling.flow_ml_min, "flushing": self.sampling.purge_flow_ml_min}

    def lines_at(self, place: str) -> tuple[SampleLine, ...]:
        """The lines of one place, in order."""
        return tuple(line for line in self.lines if line.place == place)


_TABLES: dict[str, type[Any]] = {
    "fluid": RigFluid, "tap": Tap, "pump": RigPump, "counter": RigCounter,
    "meter": RigMeter, "sampling": Sampling,
}  # fmt: skip
_LARGEST = 1e9  # beyond any part; keeps squares and fourth powers finite
_COLDEST_C, _HOTTEST_C = -60.0, 200.0  # where oil is a liquid at all: common practice, no source
_MAY_BE_ZERO = ("loss", "horizontal_m", "rest_s", "friction_nm", "viscous_nm_1000rpm", "slip_ml_min_bar",
                "vapour_pressure_bar", "dissolved_air", "drop_bar", "dead_volume_ml", "back_pressure_bar",
                "pressure_low_bar", "pressure_high_bar", "extra_records_percent")  # fmt: skip
_ANY_SIGN = ("rise_m", "coldest_c", "hottest_c", "pressure_low_bar", "pressure_high_bar")


def load(path: Path) -> Rig:
    """The rig in a file. Raises RigError with file, table and key when something is wrong."""
    document = read_toml(path)
    try:
        return parse(document)
    except RigError as problem:
        raise RigError(f"{path}: {problem}") from None


def parse(document: dict[str, Any]) -> Rig:
    """A Rig from a TOML document. Raises RigError naming what is unknown, missing or out of range."""
    check_tables(document, ("name", "line", *_TABLES))
    tables = {name: build(kind, document.get(name, {}), name) for name, kind in _TABLES.items()}
    lines = tuple(build(SampleLine, row, f"line {i + 1}") for i, row in enumerate(rows(document, "line")))
    rig = Rig(name=str(document.get("name", "rig")), lines=lines, **tables)
    _check(rig)
    return rig


def _check(rig: Rig) -> None:
    for where, part in [(n, getattr(rig, n)) for n in _TABLES] + [
        (f"line {i + 1}", line) for i, line in enumerate(rig.lines)
    ]:
        for key, value in vars(part).items():
            if isinstance(value, str | tuple):
                continue
            if not abs(value) <= _LARGEST:  # nan and inf too, which TOML knows
                raise RigError(f"{where}: '{key}' must be a finite number, at most {_LARGEST:g}")
            if key in _ANY_SIGN:
                continue
            if value < 0 or (value == 0 and key not in _MAY_BE_ZERO):
                raise RigError(
                    f"{where}: '{key}' must be {'0 or more' if key in _MAY_BE_ZERO else 'above 0'}"
                )
    for i, line in enumerate(rig.lines):
        if line.place not in PLACES:
            raise RigError(f"line {i + 1}: place must be one of {', '.join(PLACES)}, not '{line.place}'")
        if abs(line.rise_m) > line.length_m or line.horizontal_m > line.length_m:
            raise RigError(f"line {i + 1}: it rises or runs level for more than its length_m")
    if not rig.lines_at("suction") or not rig.lines_at("counter"):
        raise RigError("line: at least one of place suction and one of place counter is needed")
    f, c, s, t = rig.fluid, rig.counter, rig.sampling, rig.tap
    if f.viscosity_40c_mm2_s <= f.viscosity_100c_mm2_s:
        raise RigError("fluid: viscosity_40c_mm2_s must be above viscosity_100c_mm2_s")
    if f.coldest_c < _COLDEST_C or f.hottest_c > _HOTTEST_C:
        raise RigError(f"fluid: coldest_c and hottest_c must lie from {_COLDEST_C:g} to {_HOTTEST_C:g} degC")
    if f.coldest_c >= f.hottest_c:
        raise RigError("fluid: coldest_c must be below hottest_c")
    if not c.flow_low_ml_min < s.flow_ml_min < c.flow_high_ml_min:
        raise RigError("sampling: flow_ml_min must lie within the counter's flow band")
    if t.pressure_low_bar > t.pressure_high_bar or t.air_bar_abs + t.pressure_low_bar <= 0:
        raise RigError("tap: pressure_low_bar must not be above pressure_high_bar, nor below a vacuum")
    if len(s.cleanest_code) != 3 or not all(
        isinstance(n, int) and not isinstance(n, bool) and 0 < n <= 28 for n in s.cleanest_code
    ):
        raise RigError("sampling: cleanest_code takes three scale numbers from 1 to 28, e.g. [15, 13, 10]")
    if not 0 < s.leftover_percent < 100 or not 0 < s.coincidence_percent < 100:
        raise RigError("sampling: leftover_percent and coincidence_percent must lie between 0 and 100")
    try:
        line_through(40.0, f.viscosity_40c_mm2_s, 100.0, f.viscosity_100c_mm2_s)
    except ValueError as problem:
        raise RigError(f"fluid: {problem}") from None
