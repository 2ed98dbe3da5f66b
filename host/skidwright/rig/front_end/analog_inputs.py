"""The analog inputs by calculation: 4-20 mA loop and thermistor."""

from __future__ import annotations

import math

from skidwright.rig.front_end.parts import LoopInput, RatedQuantity, Thermistor, band, extremes, fixed

THERMISTOR_CODES = 4096
KELVIN = 273.15
NOMINAL_K = 298.15


def resistance_ohm(p: Thermistor, celsius: float) -> float:
    """Resistance (ohm) at a temperature."""
    return p.nominal_ohm * math.exp(p.beta_k * (1 / (celsius + KELVIN) - 1 / NOMINAL_K))


def temperature_c(p: Thermistor, ohm: float) -> float:
    """Temperature (degC) at a resistance: `resistance_ohm` the other way round."""
    return 1 / (1 / NOMINAL_K + math.log(ohm / p.nominal_ohm) / p.beta_k) - KELVIN


def error_k(p: Thermistor, celsius: float) -> float:
    """Largest error (K) at a temperature: tolerances, converter and self-heating, all added."""
    ohm = resistance_ohm(p, celsius)
    whole = ohm + p.series_ohm
    share = whole / (whole + p.pull_ohm)
    parts = 0.0
    for sign in (-1, 1):
        off = share + sign * p.adc_error_codes / THERMISTOR_CODES
        read = p.pull_ohm * off / (1 - off) * (1 + sign * p.pull_tolerance_percent / 100)
        # The series resistor's own tolerance, then the thermistor's.
        read += sign * p.series_ohm * p.pull_tolerance_percent / 100 - p.series_ohm
        read *= 1 + sign * p.tolerance_percent / 100
        parts = max(parts, abs(temperature_c(p, read) - celsius))
    volts = p.reference_mv / 1000 * share
    return parts + (volts * ohm / whole) ** 2 / ohm * 1000 / p.dissipation_mw_k


def thermistor_quantities(p: Thermistor) -> list[RatedQuantity]:
    """Everything computed of the thermistor input, with limits."""
    cold, room, hot = (error_k(p, c) for c in (p.low_c, 25.0, p.high_c))
    return [
        RatedQuantity(
            "temperature error",
            "K",
            min(cold, room, hot),
            room,
            max(cold, room, hot),
            "beta equation, divider; at the low, room and high end",
            at_most=p.error_limit_k,
            remedy="use the 16-bit converter or another thermistor",
        )
    ]


NE43_FAIL_LOW_MA = 3.6
NE43_VALID_LOW_MA = 3.8
NE43_VALID_HIGH_MA = 20.5
NE43_FAIL_HIGH_MA = 21.0
SPAN_MA = 16.0
CODES = 4096
# Schottky clamp to the supply: absolute maximum at a pin is the supply plus 0.5 V (RP2040 datasheet, 5.2.3).
PIN_ABOVE_SUPPLY_MAX_MV = 500.0


def pin_mv(loop_ma: float, shunt_ohm: float, series_ohm: float, adc_input_ohm: float) -> float:
    """Voltage at the pin (mV) for a loop current (mA): shunt, then divider of series resistor and input."""
    source_ohm = shunt_ohm + series_ohm
    return loop_ma * shunt_ohm * adc_input_ohm / (adc_input_ohm + source_ohm)


def largest_visible_ma(reference_mv: float, shunt_ohm: float) -> float:
    """Loop current (mA) at full scale of the converter, the input's load left out (it only adds to it)."""
    return reference_mv / shunt_ohm


def largest_shunt_ohm(p: LoopInput) -> float:
    """Largest nominal shunt (ohm) that still shows 21.0 mA with reference and shunt at their worst."""
    reference_mv = band(p.reference_mv, p.reference_tolerance_percent)[0]
    return reference_mv / NE43_FAIL_HIGH_MA / (1 + _shunt_percent(p) / 100)


def _shunt_percent(p: LoopInput) -> float:
    return p.shunt_tolerance_percent + _drift_percent(p)


def _drift_percent(p: LoopInput) -> float:
    return p.shunt_drift_ppm_k * p.temperature_change_k * 1e-4


def code_ua(p: LoopInput) -> float:
    """One step of the converter in microamps of loop current."""
    return p.reference_mv / CODES / p.shunt_ohm * 1000


def error_ua(p: LoopInput, loop_ma: float, calibrated: bool) -> float:
    """Largest error (microamps) of the reading at a current: sum of the magnitudes, none cancelling.

    A two-point calibration takes away gain and offset as they were that day: shunt, reference, input load and
    leakage. What stays is the shunt's drift and the converter's bow and steps. The reference's own drift with
    temperature is not known for a generic regulator and is not in here.
    """
    percent = _drift_percent(p)
    steady = 0.0
    if not calibrated:
        load = (p.shunt_ohm + p.series_ohm) / (p.adc_input_ohm + p.shunt_ohm + p.series_ohm)
        percent = _shunt_percent(p) + p.reference_tolerance_percent + load * 100
        steady = p.suppressor_leakage_ua
    return loop_ma * 1000 * percent / 100 + steady + p.adc_error_codes * code_ua(p)


def i2c_error_ua(p: LoopInput, loop_ma: float) -> float:
    """Largest error (microamps) with the 16-bit converter, never calibrated: sum of the magnitudes."""
    source_ohm = p.shunt_ohm + p.series_ohm
    percent = _shunt_percent(p) + p.i2c_gain_percent + source_ohm / (p.i2c_input_ohm + source_ohm) * 100
    steady = p.suppressor_leakage_ua + p.i2c_offset_codes * p.i2c_step_uv / p.shunt_ohm
    return loop_ma * 1000 * percent / 100 + steady


def fault_current_ma(p: LoopInput, fuse_ohm: float, supply_volts: float, breakdown_v: float) -> float:
    """Current (mA) with the supply straight on the terminal, before the resettable fuse heats up."""
    return (supply_volts - breakdown_v) / (fuse_ohm + p.ballast_ohm) * 1000


def _at_two_currents(p: LoopInput) -> list[RatedQuantity]:
    found = []
    for loop_ma in (4.0, 20.0):
        low, nominal, high = extremes(
            lambda shunt, series, adc, ma=loop_ma: pin_mv(ma, shunt, series, adc),
            shunt=band(p.shunt_ohm, _shunt_percent(p)),
            series=band(p.series_ohm, p.series_tolerance_percent),
            adc=(p.adc_input_ohm, 1e9, 1e9),
        )
        source = "Ohm's law, divider with the converter's input resistance"
        found.append(RatedQuantity(f"pin voltage at {loop_ma:g} mA", "mV", low, nominal, high, source))
    return found


def loop_quantities(p: LoopInput) -> list[RatedQuantity]:
    """Everything computed of the 4-20 mA input, with limits."""
    shunt = band(p.shunt_ohm, _shunt_percent(p))
    reference = band(p.reference_mv, p.reference_tolerance_percent)
    supply = band(p.supply_volts, p.supply_tolerance_percent)
    breakdown = (p.suppressor_breakdown_min_v, p.suppressor_breakdown_max_v, p.suppressor_breakdown_max_v)
    fuse = (p.fuse_cold_min_ohm, p.fuse_cold_min_ohm, p.fuse_cold_max_ohm)
    series = band(p.series_ohm, p.series_tolerance_percent)
    # A current loop is no voltage source: the filter charges through the shunt as well.
    source = (shunt[0] + series[0], shunt[1] + series[1], shunt[2] + series[2])
    filter_uf = band(p.filter_uf, p.filter_tolerance_percent)
    largest = largest_shunt_ohm(p)
    half_gap_ua = (NE43_VALID_LOW_MA - NE43_FAIL_LOW_MA) / 2 * 1000
    high_gap = (NE43_FAIL_HIGH_MA - NE43_VALID_HIGH_MA) / 2 * 1000
    return [
        *_at_two_currents(p),
        RatedQuantity(
            "largest current the converter sees",
            "mA",
            *extremes(largest_visible_ma, reference_mv=reference, shunt_ohm=shunt),
            "Ohm's law; NE 43: from 21.0 mA on is a failure",
            at_least=NE43_FAIL_HIGH_MA + 0.2,
            remedy="take a smaller shunt",
        ),
        RatedQuantity(
            "shunt", "ohm", *shunt, "must still show 21.0 mA", at_most=largest, remedy="take a smaller shunt"
        ),
        RatedQuantity(
            "error without calibration at 20 mA",
            "uA",
            *fixed(error_ua(p, 20.0, calibrated=False)),
            "sum of magnitudes; take it away with a two-point calibration",
        ),
        RatedQuantity(
            "the same with the 16-bit converter",
            "uA",
            *fixed(i2c_error_ua(p, 20.0)),
            "sum of magnitudes",
        ),
        RatedQuantity(
            "error of the 16-bit converter at 3.7 mA",
            "uA",
            *fixed(i2c_error_ua(p, 3.7)),
            "sum of magnitudes; half of NE 43's gap 3.6 to 3.8 mA, without calibration",
            at_most=half_gap_ua,
            remedy="calibrate the loops",
        ),
        RatedQuantity(
            "error after calibration at 3.7 mA",
            "uA",
            *fixed(error_ua(p, 3.7, calibrated=True)),
            "sum of magnitudes; half of NE 43's gap 3.6 to 3.8 mA",
            at_most=half_gap_ua,
            remedy="use the 16-bit converter or a better shunt",
        ),
        RatedQuantity(
            "error after calibration at 20.75 mA",
            "uA",
            *fixed(error_ua(p, 20.75, calibrated=True)),
            "sum of magnitudes; half of NE 43's gap 20.5 to 21.0 mA",
            at_most=high_gap,
            remedy="use the 16-bit converter or a better shunt",
        ),
        RatedQuantity(
            "filter cut-off",
            "Hz",
            *extremes(lambda r, c: 1e6 / (2 * math.pi * r * c), r=source, c=filter_uf),
            "1 / (2 pi R C), R of shunt and series resistor",
        ),
        RatedQuantity(
            "settling to 0.1 %",
            "ms",
            *extremes(lambda r, c: r * c * math.log(1000) / 1000, r=source, c=filter_uf),
            "R C ln(1000), R of shunt and series resistor",
            at_most=p.control_period_ms,
            remedy="take a smaller filter capacitor",
        ),
        RatedQuantity(
            "voltage left for the transmitter at 21 mA",
            "V",
            *extremes(
                lambda supply_v, shunt_ohm, fuse_ohm: (
                    supply_v - 0.021 * (shunt_ohm + fuse_ohm + p.ballast_ohm + p.cable_ohm)
                ),
                supply_v=supply,
                shunt_ohm=shunt,
                fuse_ohm=fuse,
            ),
            "Kirchhoff's voltage law",
            at_least=p.transmitter_least_v,
            remedy="shorten or thicken the loop's cable",
        ),
        *_fault(p, supply, breakdown, fuse),
    ]


def _fault(
    p: LoopInput,
    supply: tuple[float, float, float],
    breakdown: tuple[float, float, float],
    fuse: tuple[float, float, float],
) -> list[RatedQuantity]:
    clamp = extremes(lambda b: (b * 1000 - p.reference_mv - p.clamp_forward_mv) / p.series_ohm, b=breakdown)
    return [
        RatedQuantity(
            "24 V on the terminal: current until the fuse trips",
            "mA",
            *extremes(
                lambda f, s, b: fault_current_ma(p, f, s, b),
                f=fuse,
                s=supply,
                b=breakdown,
            ),
            "Ohm's law, suppressor at its breakdown voltage",
            at_least=200.0,
            remedy="take a resettable fuse with a lower trip current",
        ),
        RatedQuantity(
            "24 V on the terminal: power in the shunt",
            "W",
            *extremes(lambda b: b * b / p.shunt_ohm, b=breakdown),
            "V^2 / R",
            at_most=p.shunt_power_w,
            remedy="take a shunt of more power or a suppressor of lower voltage",
        ),
        RatedQuantity(
            "24 V on the terminal: current into the 3.3 V rail",
            "mA",
            *clamp,
            "Ohm's law over the series resistor",
            at_most=p.rail_least_load_ma,
            remedy="take a larger series resistor",
        ),
        RatedQuantity(
            "24 V on the terminal: pin above its supply",
            "mV",
            *fixed(p.clamp_forward_mv),
            "forward voltage of the clamp",
            at_most=PIN_ABOVE_SUPPLY_MAX_MV,
            remedy="take a Schottky diode of lower forward voltage",
        ),
    ]
