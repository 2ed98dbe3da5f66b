"""Parts of the front ends as hardware/front_ends.toml states them, and worst cases over their tolerances."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skidwright.errors import RigError
from skidwright.rig.tables import build, check_tables, read_toml


@dataclass(frozen=True)
class RatedQuantity:
    """A computed figure with its worst case, the limits it must keep, and what to do when it does not."""

    name: str
    unit: str
    low: float
    nominal: float
    high: float
    source: str
    at_least: float | None = None
    at_most: float | None = None
    remedy: str = ""

    @property
    def ok(self) -> bool:
        """True when the worst case keeps both limits."""
        return (self.at_least is None or self.low >= self.at_least) and (
            self.at_most is None or self.high <= self.at_most
        )

    def shortfall(self) -> str:
        """One sentence for a quantity that is not ok."""
        if self.at_least is not None and self.low < self.at_least:
            said = f"is {self.low:.4g} {self.unit} at the worst, at least {self.at_least:.4g} is needed"
        else:
            said = f"is {self.high:.4g} {self.unit} at the worst, at most {self.at_most:.4g} is allowed"
        return f"{self.name} {said}; {self.remedy}"


def band(nominal: float, percent: float) -> tuple[float, float, float]:
    """(low, nominal, high) of a part with a tolerance of plus and minus `percent`."""
    return nominal * (1 - percent / 100), nominal, nominal * (1 + percent / 100)


def fixed(value: float) -> tuple[float, float, float]:
    """(low, nominal, high) of a figure that is computed at its worst already."""
    return value, value, value


def extremes(
    function: Callable[..., float], **parts: tuple[float, float, float]
) -> tuple[float, float, float]:
    """(low, nominal, high) of `function(**parts)` with each part given as (low, nominal, high)."""
    names = list(parts)
    corners = [
        function(**dict(zip(names, values, strict=True)))
        for values in itertools.product(*((p[0], p[2]) for p in parts.values()))
    ]
    nominal = function(**{name: p[1] for name, p in parts.items()})
    return min(corners), nominal, max(corners)


@dataclass(frozen=True)
class LoopInput:
    """4-20 mA input: fuse, ballast, suppressor, shunt, filter, clamp."""

    shunt_ohm: float
    shunt_tolerance_percent: float
    shunt_drift_ppm_k: float
    temperature_change_k: float
    shunt_power_w: float
    series_ohm: float
    series_tolerance_percent: float
    filter_uf: float
    filter_tolerance_percent: float
    adc_input_ohm: float
    reference_mv: float
    reference_tolerance_percent: float
    adc_error_codes: float
    i2c_step_uv: float
    i2c_offset_codes: float
    i2c_gain_percent: float
    i2c_input_ohm: float
    suppressor_breakdown_min_v: float
    suppressor_breakdown_max_v: float
    suppressor_leakage_ua: float
    ballast_ohm: float
    fuse_cold_min_ohm: float
    fuse_cold_max_ohm: float
    clamp_forward_mv: float
    rail_least_load_ma: float
    supply_volts: float
    supply_tolerance_percent: float
    cable_ohm: float
    transmitter_least_v: float
    control_period_ms: float


@dataclass(frozen=True)
class Comparator:
    """Pulse input: field pull-up, filter, clamp, comparator with hysteresis, open-drain output."""

    supply_mv: float
    supply_tolerance_percent: float
    upper_ohm: float
    lower_ohm: float
    feedback_ohm: float
    output_pull_ohm: float
    resistor_tolerance_percent: float
    output_low_mv: float
    output_low_max_mv: float
    field_pull_ohm: float
    field_diode_mv: float
    series_ohm: float
    filter_pf: float
    stray_pf: float
    capacitor_tolerance_percent: float
    sensor_low_max_mv: float
    cable_pf_per_m: float
    shortest_pulse_us: float
    noise_mv: float
    push_pull_volts: float
    clamp_forward_mv: float
    channels: int
    rail_least_load_ma: float
    spike_ns: float
    comparator_delay_ns: float


@dataclass(frozen=True)
class Optocoupler:
    """24 V contact input: series resistor, Zener, diode with bypass, transistor with pull-up."""

    supply_volts: float
    supply_tolerance_percent: float
    series_ohm: float
    series_tolerance_percent: float
    series_power_w: float
    zener_min_v: float
    zener_max_v: float
    bypass_ohm: float
    diode_forward_min_v: float
    diode_forward_max_v: float
    transfer_min: float
    transfer_max: float
    ageing: float
    pull_ohm: float
    logic_mv: float
    logic_tolerance_percent: float
    saturation_mv: float
    dark_current_ua: float


@dataclass(frozen=True)
class PumpDriver:
    """Low-side transistor with gate driver, free-wheeling diode at the motor, brushed DC motor."""

    supply_volts: float
    supply_tolerance_percent: float
    motor_ohm: float
    motor_mh: float
    motor_rated_a: float
    motor_run_up_ms: float
    overload_ohm: float
    pwm_hz: float
    transistor_on_mohm: float
    transistor_hot_factor: float
    transistor_volts: float
    transistor_k_per_w: float
    switching_ns: float
    diode_forward_v: float
    diode_volts: float
    diode_k_per_w: float
    ambient_c: float
    junction_max_c: float
    gate_pull_ohm: float
    gate_leakage_ua: float
    gate_threshold_min_v: float
    pin_pull_ohm: float
    driver_input_ua: float
    driver_low_max_mv: float
    gate_ohm: float
    gate_charge_nc: float
    supply_lead_uh: float
    motor_lead_uh: float
    loop_nh: float
    bulk_uf: float
    bulk_esr_ohm: float
    bulk_ripple_a: float
    ceramic_uf: float
    bleed_ohm: float
    snubber_ohm: float
    snubber_nf: float
    avalanche_mj: float
    pulse_a: float
    fuse_a: float


@dataclass(frozen=True)
class StopChain:
    """Stop relay K1 behind pressure switch, stop button and reset button; its contact carries the pump."""

    supply_volts: float
    supply_tolerance_percent: float
    coil_ohm: float
    coil_tolerance_percent: float
    coil_henry: float
    coil_warm_k: float
    pick_up_percent: float
    drop_out_percent: float
    contacts: int
    contact_ohm: float
    cable_m: float
    cable_mm2: float
    suppressor_v: float
    contact_rating_a: float
    contact_peak_a: float
    release_limit_ms: float


@dataclass(frozen=True)
class Thermistor:
    """Thermistor to 0 V with a resistor to the converter's reference."""

    nominal_ohm: float
    beta_k: float
    tolerance_percent: float
    pull_ohm: float
    pull_tolerance_percent: float
    reference_mv: float
    adc_error_codes: float
    dissipation_mw_k: float
    series_ohm: float
    low_c: float
    high_c: float
    error_limit_k: float


@dataclass(frozen=True)
class SupplyChain:
    """Power supply with its current limit, entry protection, fuses, wires."""

    rated_a: float
    limit_min_percent: float
    limit_max_percent: float
    suppressor_v: float
    suppressor_slope_ohm: float
    suppressor_peak_a: float
    entry_bears_v: float
    surge_v: float
    surge_ohm: float
    fuse_stop_a: float
    fuse_sensor_a: float
    fuse_valve_a: float
    fuse_lamp_a: float
    fuse_logic_a: float
    overload_trip_minutes: float


@dataclass(frozen=True)
class Heartbeat:
    """Charge pump that lights the "running" lamp while the program turns its pin over."""

    series_ohm: float
    pump_uf: float
    store_uf: float
    bleed_ohm: float
    diode_mv: float
    lamp_threshold_max_v: float
    lamp_threshold_min_v: float
    ballast_ohm: float
    tick_ms: float
    longest_gap_ms: float
    dark_limit_ms: float


@dataclass(frozen=True)
class FrontEnd:
    """All blocks of the front end."""

    loop_input: LoopInput
    comparator: Comparator
    optocoupler: Optocoupler
    pump_driver: PumpDriver
    stop_chain: StopChain
    thermistor: Thermistor
    supply: SupplyChain
    heartbeat: Heartbeat


_BLOCKS: dict[str, type[Any]] = {
    "loop_input": LoopInput,
    "comparator": Comparator,
    "optocoupler": Optocoupler,
    "pump_driver": PumpDriver,
    "stop_chain": StopChain,
    "thermistor": Thermistor,
    "supply": SupplyChain,
    "heartbeat": Heartbeat,
}


def load(path: Path) -> FrontEnd:
    """The parts in a file. Raises RigError naming file, block and key when something is wrong."""
    document = read_toml(path)
    try:
        check_tables(document, tuple(_BLOCKS), "block")
    except RigError as problem:
        raise RigError(f"{path}: {problem}") from None
    blocks = {}
    for name, kind in _BLOCKS.items():
        block = build(kind, document.get(name, {}), f"{path}: {name}")
        for key in vars(block):
            if not vars(block)[key] > 0 and not key.endswith("_c"):
                raise RigError(f"{path}: {name}: '{key}' must be above 0")
        blocks[name] = block
    return FrontEnd(**blocks)
