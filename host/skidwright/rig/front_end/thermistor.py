"""The thermistor input: what resistors, converter and self-heating make of a temperature.

Formula: R = R25 e^(B (1/T - 1/298.15 K)) (the beta equation; IEC 60539-1); divider to the converter's own
reference, so that the reference cancels.
"""

from __future__ import annotations

import math

from .parts import Thermistor
from .worst_case import Quantity

CODES = 4096
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
        off = share + sign * p.adc_error_codes / CODES
        read = p.pull_ohm * off / (1 - off) * (1 + sign * p.pull_tolerance_percent / 100)
        # The series resistor's own tolerance, then the thermistor's.
        read += sign * p.series_ohm * p.pull_tolerance_percent / 100 - p.series_ohm
        read *= 1 + sign * p.tolerance_percent / 100
        parts = max(parts, abs(temperature_c(p, read) - celsius))
    volts = p.reference_mv / 1000 * share
    return parts + (volts * ohm / whole) ** 2 / ohm * 1000 / p.dissipation_mw_k


def quantities(p: Thermistor) -> list[Quantity]:
    """Everything computed of the thermistor input, with limits."""
    cold, room, hot = (error_k(p, c) for c in (p.low_c, 25.0, p.high_c))
    return [
        Quantity(
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
