"""Every key of a scenario file, as dataclasses that carry unit, range and meaning of each key.

`docs/scenarios.md` is generated from these tables, and the loader checks files against them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

HOUR_S = 3600.0
DAY_S = 86400.0


def key(default: Any, unit: str, low: float | None, high: float | None, meaning: str) -> Any:
    """A dataclass field with what the loader and the docs need; `...` as default makes the key required."""
    metadata = {"unit": unit, "low": low, "high": high, "meaning": meaning}
    if default is ...:
        return field(metadata=metadata)
    if isinstance(default, list | dict):
        return field(default_factory=lambda: type(default)(default), metadata=metadata)
    return field(default=default, metadata=metadata)


@dataclass(frozen=True)
class PlantLine:
    """Pipes and hoses between the selector valves and the sensor."""

    volume_ml: float = key(15.0, "mL", 0.5, 5000, "Volume between selector and sensor.")
    resistance: float = key(
        0.0008,
        "1/(mm2/s)",
        0,
        1,
        "Share by which flow falls for each mm2/s of viscosity: thick oil pumps badly.",
    )
    cooling: float = key(0.15, "", 0, 1, "Share of the way from fluid to air temperature lost on the way.")


@dataclass(frozen=True)
class PlantPump:
    """The sampling pump, of displacement kind, driven by a duty cycle."""

    full_ml_s: float = key(4.0, "mL/s", 0.1, 60, "Displacement at full duty, no load.")
    dead_permille: float = key(40, "1/1000", 0, 500, "Duty below which the pump stands.")
    lag_s: float = key(0.6, "s", 0.05, 30, "First-order lag from duty to flow.")
    slip_ml_s: float = key(1.0, "(mL/s)(mm2/s)", 0, 1000, "Slip flow at 1 mm2/s; falls as viscosity rises.")
    unsteady: float = key(0.006, "", 0, 0.2, "Standard deviation of flow from step to step, relative.")


@dataclass(frozen=True)
class Sensor:
    """The optical counter."""

    sensing_volume_nl: float = key(
        2.5, "nL", 0, 1000, "Volume seen at once: sets coincidence loss (paralysable)."
    )
    flow_low_ml_s: float = key(0.60, "mL/s", 0.01, 60, "Below this true flow counts are biased.")
    flow_high_ml_s: float = key(1.10, "mL/s", 0.01, 60, "Above this true flow counts are biased.")
    droplets_from_percent: float = key(
        94.0, "%", 0, 110, "Water saturation at which droplets begin to be counted as particles."
    )
    droplets_per_ml_percent: float = key(
        400.0, "1/mL", 0, 1e6, "Droplets >=4 um(c) per mL for each per cent above that."
    )


@dataclass(frozen=True)
class PlantMeter:
    """The flow meter."""

    pulse_ul: float = key(200.0, "uL", 1, 1000, "Mean volume of a pulse.")
    scatter: float = key(0.003, "", 0, 0.2, "Standard deviation of one pulse's volume, relative.")
    slip_mm2_s: float = key(
        0.0, "mm2/s", 0, 2, "A pulse stands for 1 + this / viscosity times as much: thin oil leaks past."
    )


@dataclass(frozen=True)
class WaterLoop:
    """The water saturation sensor, 4-20 mA for 0-100 %."""

    lag_s: float = key(12.0, "s", 0.1, 3600, "First-order lag of the sensor.")
    noise_ua: float = key(6.0, "uA", 0, 1000, "Standard deviation of the current.")


@dataclass(frozen=True)
class Temperature:
    """Air and fluid temperature sensor, 4-20 mA from low_c to high_c and a thermistor beside it."""

    air_c: float = key(12.0, "degC", -40, 60, "Mean air temperature.")
    swing_c: float = key(5.0, "K", 0, 40, "Half the daily swing of the air, highest at 15:00 UTC.")
    low_c: float = key(0.0, "degC", -100, 100, "Fluid temperature at 4 mA.")
    high_c: float = key(100.0, "degC", -50, 300, "Fluid temperature at 20 mA.")
    lag_s: float = key(8.0, "s", 0.1, 3600, "First-order lag of the sensor in flowing fluid.")
    noise_ua: float = key(4.0, "uA", 0, 1000, "Standard deviation of the current.")
    thermistor_ohm: float = key(10000.0, "ohm", 10, 1e7, "Thermistor at 25 degC.")
    thermistor_beta_k: float = key(3950.0, "K", 500, 10000, "Its beta value.")


@dataclass(frozen=True)
class BoardOptions:
    """What the virtual board has."""

    clock_chip: bool = key(False, "", None, None, "Whether the board knows UTC by itself.")
    ticks_start_ms: int = key(0, "ms", 0, 2**30 - 1, "Tick counter at power-up; it wraps at 2**30.")
    serial_bytes_s: int = key(0, "B/s", 0, 10_000_000, "Limit of serial output by the wall clock, 0 none.")


@dataclass(frozen=True)
class PlantAsset:
    """A machine whose fluid is sampled. Its place in the list is its selector valve."""

    number: int = key(..., "", 1, 65535, "Asset number, as in the board setting `assets`.")
    name: str = key(..., "", None, None, "What people call it.")
    machine: str = key("", "", None, None, "Maker and type, for reports.")
    fluid: str = key("", "", None, None, "Name of the fluid, for reports.")
    target: str = key("", "", None, None, "Worst acceptable ISO 4406 code, such as 18/16/13.")
    water_limit_percent: float = key(-1.0, "%", -1, 100, "Highest acceptable water saturation; -1: none set.")
    coldest_c: float = key(-100.0, "degC", -100, 150, "Coldest it gets, for reports; -100: not given.")
    v40_mm2_s: float = key(46.0, "mm2/s", 2, 5000, "Kinematic viscosity at 40 degC.")
    v100_mm2_s: float = key(6.8, "mm2/s", 1, 500, "Kinematic viscosity at 100 degC.")
    particles_4um_per_ml: float = key(1800.0, "1/mL", 0, 1e7, "Particles >=4 um(c) at the start.")
    rest_4um_per_ml: float = key(
        -1.0, "1/mL", -1, 1e7, "The same where ingress and filter balance; -1: as at the start."
    )
    slope: float = key(2.8, "", 1, 6, "Exponent k of the size distribution N(>d) = N(>4) (d/4)^-k.")
    tank_l: float = key(120.0, "L", 0.1, 1e6, "Fluid in the machine.")
    filter_l_min: float = key(10.0, "L/min", 0, 1e5, "Flow through the machine's own filter.")
    filtration_ratio: list[float] = key(
        [3.0, 15.0, 200.0, 1000.0], "", 1, 1e5, "Filtration ratio for >=4, >=6, >=14 and >=21 um(c)."
    )
    ferrous_per_ml: float = key(
        0.02, "1/mL", 0, 1e4, "Ferrous wear particles that the inductive sensor sees."
    )
    nonferrous_per_ml: float = key(0.005, "1/mL", 0, 1e4, "The same, not ferrous.")
    water_percent: list[list[float]] = key(
        [[0.0, 20.0]], "time, %", 0, 110, "Water saturation: [time, value] pairs, straight lines between."
    )
    fluid_c: list[list[float]] = key(
        [[0.0, 40.0]], "time, degC", -40, 200, "Fluid temperature in the machine, likewise."
    )


@dataclass(frozen=True)
class TopUp:
    """Dirt let in at one moment."""

    asset: int = key(..., "", 1, 65535, "Asset number.")
    at_s: float = key(..., "time", 0, 1e8, "When.")
    adds_4um_per_ml: float = key(..., "1/mL", 0, 1e7, "Particles >=4 um(c) added.")
    slope: float = key(2.8, "", 1, 6, "Exponent of the dirt's size distribution.")
    adds_ferrous_per_ml: float = key(0.0, "1/mL", 0, 1e4, "Ferrous particles added.")


@dataclass(frozen=True)
class Cart:
    """A filter cart or dryer at one asset, switched by a selector output of the board."""

    asset: int = key(..., "", 1, 65535, "Asset number.")
    output: int = key(
        8, "", 1, 8, "Selector output that switches it, as in the board setting `cleanup_output`."
    )
    flow_l_min: float = key(20.0, "L/min", 0, 1e5, "Flow through its filter.")
    filtration_ratio: list[float] = key(
        [3.0, 15.0, 200.0, 1000.0], "", 1, 1e5, "Its filtration ratio for >=4, >=6, >=14 and >=21 um(c)."
    )
    ingress_4um_per_ml_h: float = key(
        0.0,
        "1/(mL h)",
        0,
        1e8,
        "Particles >=4 um(c) let in while it runs, with the asset's size distribution.",
    )
    drying_s: float = key(0.0, "time", 0, 1e8, "Time constant of its dryer; 0: it does not dry.")
    dries_to_percent: float = key(5.0, "%", 0, 100, "Water saturation that the dryer reaches in the end.")


@dataclass(frozen=True)
class PlantFault:
    """Something that goes wrong."""

    kind: str = key(..., "", None, None, "One of the kinds below.")
    start_s: float = key(..., "time", 0, 1e8, "When it begins.")
    end_s: float = key(-1.0, "time", -1, 1e8, "When it ends (left out: never; for power_cut see there).")
    asset: int = key(0, "", 0, 65535, "Only while this asset is sampled; 0: always.")
    amount: float = key(-1.0, "", -1, 1e6, "How much; what it means and its default depend on the kind.")
    flash_operation: int = key(
        0, "", 0, 100000, "power_cut only: fail in the n-th flash operation after the start."
    )
    channel: int = key(
        0,
        "",
        0,
        6,
        "dead_channel: 1-4 for >=4, >=6, >=14, >=21 um(c), 5 and 6 for metal. swapped_channels: 1-3, with "
        "the one after it.",
    )


@dataclass(frozen=True)
class PlantContact:
    """The cable is plugged in and a host comes by; time stands still for it."""

    at_s: float = key(..., "time", 0, 1e8, "When.")
    pull: bool = key(True, "", None, None, "Whether the log is pulled.")
    commands: list[str] = key([], "", None, None, 'Commands given before the pull, such as "reset".')
    mark: str = key("", "", None, None, "Text of an operator mark set in the log.")


def midnight() -> datetime:
    """The default start of a scenario."""
    return datetime(2026, 3, 2, tzinfo=UTC)


@dataclass(frozen=True)
class Scenario:
    """A whole scenario, checked."""

    title: str = key(..., "", None, None, "One line for people.")
    duration_s: float = key(..., "time", 1, 1e8, "How long it lasts.")
    start_utc: datetime = field(
        default_factory=midnight,
        metadata={"unit": "UTC", "low": None, "high": None, "meaning": "Virtual UTC at 0:00."},
    )
    seed: int = key(1, "", 0, 2**31, "Seed when the command line gives none.")
    settings: dict[str, Any] = key({}, "", None, None, "Board settings, as in docs/settings.md.")
    board: BoardOptions = field(default_factory=BoardOptions, metadata={"meaning": "See below."})
    line: PlantLine = field(default_factory=PlantLine, metadata={"meaning": "See below."})
    pump: PlantPump = field(default_factory=PlantPump, metadata={"meaning": "See below."})
    sensor: Sensor = field(default_factory=Sensor, metadata={"meaning": "See below."})
    meter: PlantMeter = field(default_factory=PlantMeter, metadata={"meaning": "See below."})
    water: WaterLoop = field(default_factory=WaterLoop, metadata={"meaning": "See below."})
    temperature: Temperature = field(default_factory=Temperature, metadata={"meaning": "See below."})
    asset: tuple[PlantAsset, ...] = field(default=(), metadata={"meaning": "One to eight tables."})
    top_up: tuple[TopUp, ...] = field(default=(), metadata={"meaning": "Any number of tables."})
    cart: tuple[Cart, ...] = field(default=(), metadata={"meaning": "Any number of tables."})
    fault: tuple[PlantFault, ...] = field(default=(), metadata={"meaning": "Any number of tables."})
    contact: tuple[PlantContact, ...] = field(
        default=(), metadata={"meaning": "Any number of tables, in order of time."}
    )


# kind: (meaning of `amount`, its default, what happens)
FAULT_KINDS: dict[str, tuple[str, float, str]] = {
    "air": (
        "bubbles per mL of fluid",
        60.0,
        "Air is drawn in: bursts of bubbles, nearly all large; flow unsteady.",
    ),
    "water_loop_broken": ("", 0.0, "The wire of the water loop is open: 0 mA."),
    "temp_loop_broken": ("", 0.0, "The temperature sensor's wire is open."),
    "power_off": ("", 0.0, "Power is off from start to end."),
    "power_cut": (
        "seconds without power",
        5.0,
        "Power fails at the start, or in mid-write (flash_operation; under MicroPython only).",
    ),
    "pump_stall": ("", 0.0, "The pump stands whatever the duty."),
    "blocked_line": ("share of flow lost, 0 to 1", 0.8, "The line is choked."),
    "meter_stuck": ("", 0.0, "The flow meter gives no pulses."),
    "over_pressure": ("", 0.0, "The pressure switch has opened."),
    "stop_input": ("", 0.0, "The stop chain is open."),
    "dead_channel": ("", 0.0, "One channel of the counter gives no pulses."),
    "hot_fluid": ("kelvin above normal", 60.0, "The fluid in the line is hotter by so much."),
    "unwanted_flow": ("uL/s", 200.0, "Fluid flows although the pump is off."),
    "meter_off": (
        "true volume of a pulse, as a factor on `pulse_ul`",
        1.2,
        "The flow meter's pulses are worth another volume than the board was told.",
    ),
    "meter_drift": ("relative change an hour", 0.5, "The volume of a meter pulse drifts from the start on."),
    "swapped_channels": ("", 0.0, "A channel's wire and that of the next one have changed places."),
    "settling": (
        "share of particles 14-21 um(c) lost",
        0.5,
        "Particles settle on the way to the counter, large ones most.",
    ),
    "water_loop_at": (
        "uA",
        22000.0,
        "The current of the water loop stands still: a sensor's alarm, a short.",
    ),
    "temp_loop_at": ("uA", 22000.0, "The same of the temperature loop."),
    "supply_pressure": (
        "uL/s",
        150.0,
        "Pressure of the machine's line presses so much more through the running pump.",
    ),
    "meter_noise": ("pulses a second", 1000.0, "Noise on the flow meter's wire counts as pulses."),
    "counter_silent": ("", 0.0, "A counter with a line of its own says nothing (`counter_driver` 1)."),
    "counter_garbled": ("", 0.0, "What it says cannot be read."),
    "counter_restarts": ("", 0.0, "It begins anew, silent until this ends."),
    "counter_ill": ("", 0.0, "It says by itself that it does not measure."),
}
