"""The pulse input: thresholds with hysteresis, the filter, and how long a cable may be.

Formulas: node equation at the reference node (Horowitz and Hill, The Art of Electronics, 3rd ed.,
section 4.3.2, Schmitt trigger); charging of a capacitor
t = R C ln((V_end - V_start) / (V_end - V)) (same, section 1.4).
The sensor is taken as an open collector, the harder case: its cable is charged through the pull-up alone.
"""

from __future__ import annotations

import math

from .parts import Comparator
from .worst_case import Quantity, band, extremes, fixed


def threshold_mv(
    supply_mv: float, upper_ohm: float, lower_ohm: float, feedback_ohm: float, feedback_mv: float
) -> float:
    """Voltage of the reference node (mV) with the far end of the feedback resistor at `feedback_mv`."""
    conductance = 1 / upper_ohm + 1 / lower_ohm + 1 / feedback_ohm
    return (supply_mv / upper_ohm + feedback_mv / feedback_ohm) / conductance


def thresholds_mv(
    p: Comparator, supply_mv: float, upper: float, lower: float, feedback: float, output_low_mv: float
) -> tuple[float, float]:
    """Falling and rising threshold (mV): output low, or high through pull-up and feedback in series."""
    falling = threshold_mv(supply_mv, upper, lower, feedback, output_low_mv)
    rising = threshold_mv(supply_mv, upper, lower, feedback + p.output_pull_ohm, supply_mv)
    return falling, rising


def rise_us(
    resistance_ohm: float, capacitance_pf: float, start_mv: float, end_mv: float, to_mv: float
) -> float:
    """Time (us) for a capacitor to charge from `start_mv` towards `end_mv` up to `to_mv`."""
    return resistance_ohm * capacitance_pf * 1e-6 * math.log((end_mv - start_mv) / (end_mv - to_mv))


def ladder_share(time_us: float, r1: float, c1: float, r2: float, c2: float) -> float:
    """Share of a step that the far capacitor of an RC ladder (ohm, pF) has taken after a time (us).

    Both capacitors start level. The second stage loads the first: the time constants are the roots of
    s^2 R1 C1 R2 C2 + s (R1 C1 + R1 C2 + R2 C2) + 1, from the node equations.
    """
    total = (r1 * c1 + r1 * c2 + r2 * c2) * 1e-6
    product = r1 * c1 * r2 * c2 * 1e-12
    root = math.sqrt(total * total - 4 * product)
    slow, fast = (total + root) / 2, (total - root) / 2
    return 1 - (slow * math.exp(-time_us / slow) - fast * math.exp(-time_us / fast)) / (slow - fast)


def threshold_corners(p: Comparator) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """(low, nominal, high) of the falling and of the rising threshold (mV)."""
    parts = {
        "supply_mv": band(p.supply_mv, p.supply_tolerance_percent),
        "upper": band(p.upper_ohm, p.resistor_tolerance_percent),
        "lower": band(p.lower_ohm, p.resistor_tolerance_percent),
        "feedback": band(p.feedback_ohm, p.resistor_tolerance_percent),
        "output_low_mv": (0.0, p.output_low_mv, p.output_low_max_mv),
    }
    falling = extremes(lambda **k: thresholds_mv(p, **k)[0], **parts)
    rising = extremes(lambda **k: thresholds_mv(p, **k)[1], **parts)
    return falling, rising


def filter_pf(p: Comparator) -> tuple[float, float, float]:
    """Capacitance behind the series resistor, filter and strays (pF)."""
    return band(p.filter_pf + p.stray_pf, p.capacitor_tolerance_percent)


def longest_cable_m(p: Comparator) -> float:
    """Longest cable (m) over which the shortest gap between pulses still comes through, in the worst case.

    Half of the gap, less the comparator's delay, is for the rise: cable through the pull-up, then filter.
    Pull-up, filter and rising threshold at their highest, supply at its lowest; 0 when not even a metre goes.
    """
    supply = p.supply_mv * (1 - p.supply_tolerance_percent / 100)
    # Threshold and supply move together, so the threshold is taken as a share of the supply.
    rising = threshold_corners(p)[1][2] / (1 + p.supply_tolerance_percent / 100)
    rising *= 1 - p.supply_tolerance_percent / 100
    needed = (rising - p.sensor_low_max_mv) / (supply - p.field_diode_mv - p.sensor_low_max_mv)
    series = band(p.series_ohm, p.resistor_tolerance_percent)[2]
    pull = band(p.field_pull_ohm, p.resistor_tolerance_percent)[2]
    time_us = p.shortest_pulse_us / 2 - p.comparator_delay_ns / 1000

    def comes_through(metres: float) -> bool:
        share = ladder_share(time_us, pull, p.cable_pf_per_m * metres, series, filter_pf(p)[2])
        return share >= needed

    short, long = 0.0, 1000.0
    if not comes_through(1.0):
        return 0.0
    while long - short > 0.01:
        middle = (short + long) / 2
        short, long = (middle, long) if comes_through(middle) else (short, middle)
    return short


def quantities(p: Comparator) -> list[Quantity]:
    """Everything computed of the pulse inputs, with limits."""
    falling, rising = threshold_corners(p)
    supply = band(p.supply_mv, p.supply_tolerance_percent)
    hysteresis = tuple(r - f for f, r in zip(falling, rising, strict=True))
    # Narrowest hysteresis: both thresholds at the same corner, so take it there and not from unlike corners.
    narrow = extremes(
        lambda supply_mv, feedback, output_low_mv: (
            thresholds_mv(p, supply_mv, p.upper_ohm, p.lower_ohm, feedback, output_low_mv)[1]
            - thresholds_mv(p, supply_mv, p.upper_ohm, p.lower_ohm, feedback, output_low_mv)[0]
        ),
        supply_mv=supply,
        feedback=band(p.feedback_ohm, p.resistor_tolerance_percent),
        output_low_mv=(0.0, p.output_low_mv, p.output_low_max_mv),
    )
    spike = extremes(
        lambda r, c: 1000 * rise_us(r, c, 0.0, p.supply_mv, falling[0]),
        r=band(p.series_ohm, p.resistor_tolerance_percent),
        c=filter_pf(p),
    )
    longest = longest_cable_m(p)
    clamp = (p.push_pull_volts * 1000 - p.supply_mv - p.clamp_forward_mv) / p.series_ohm * p.channels
    high_mv = extremes(lambda v: v, v=supply)
    source = "Schmitt trigger, node equation"
    return [
        Quantity(
            "falling threshold",
            "mV",
            *falling,
            source,
            at_least=800.0,
            remedy="take a smaller upper resistor",
        ),
        Quantity(
            "rising threshold", "mV", *rising, source, at_most=2500.0, remedy="take a larger upper resistor"
        ),
        Quantity(
            "hysteresis",
            "mV",
            narrow[0],
            hysteresis[1],
            narrow[2],
            source,
            at_least=200.0,
            remedy="take a smaller feedback resistor",
        ),
        Quantity(
            "noise it bears while the line is low",
            "mV",
            rising[0] - p.sensor_low_max_mv,
            rising[1] - p.sensor_low_max_mv,
            rising[2] - p.sensor_low_max_mv,
            "rising threshold less the sensor's low level",
            at_least=p.noise_mv,
            remedy="use a sensor of lower output voltage",
        ),
        Quantity(
            "spike of full height that is ignored",
            "ns",
            *spike,
            "R C ln(V / (V - V_T)), shorter ones are kept out",
            at_least=p.spike_ns,
            remedy="take a larger filter capacitor",
        ),
        Quantity(
            "longest cable",
            "m",
            *fixed(longest),
            "RC ladder, half of the shortest pulse for the rise",
            at_least=3.0,
            remedy="take a smaller field pull-up",
        ),
        Quantity(
            "current into the 3.3 V rail from all inputs at 24 V",
            "mA",
            *fixed(clamp),
            "Ohm's law over the series resistors",
            at_most=p.rail_least_load_ma,
            remedy="take larger series resistors",
        ),
        Quantity(
            "low level at the pin",
            "mV",
            0.0,
            p.output_low_mv,
            p.output_low_max_mv,
            "data of the output",
            at_most=500.0,
            remedy="take a larger output pull-up",
        ),
        Quantity("high level at the pin", "mV", *high_mv, "the 3.3 V rail through the pull-up"),
    ]
