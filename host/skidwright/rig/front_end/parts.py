"""The parts of the front end as hardware/front_end.toml gives them: units are in the names."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from skidwright.errors import RigError

from ..tables import build, check_tables, read_toml


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
