"""The digital inputs by calculation: comparator of a counter channel, optocoupler of a contact or meter."""

from __future__ import annotations

import math

from skidwright.rig.front_end.parts import Comparator, Optocoupler, RatedQuantity, band, extremes, fixed


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


def comparator_quantities(p: Comparator) -> list[RatedQuantity]:
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
        RatedQuantity(
            "falling threshold",
            "mV",
            *falling,
            source,
            at_least=800.0,
            remedy="take a smaller upper resistor",
        ),
        RatedQuantity(
            "rising threshold", "mV", *rising, source, at_most=2500.0, remedy="take a larger upper resistor"
        ),
        RatedQuantity(
            "hysteresis",
            "mV",
            narrow[0],
            hysteresis[1],
            narrow[2],
            source,
            at_least=200.0,
            remedy="take a smaller feedback resistor",
        ),
        RatedQuantity(
            "noise it bears while the line is low",
            "mV",
            rising[0] - p.sensor_low_max_mv,
            rising[1] - p.sensor_low_max_mv,
            rising[2] - p.sensor_low_max_mv,
            "rising threshold less the sensor's low level",
            at_least=p.noise_mv,
            remedy="use a sensor of lower output voltage",
        ),
        RatedQuantity(
            "spike of full height that is ignored",
            "ns",
            *spike,
            "R C ln(V / (V - V_T)), shorter ones are kept out",
            at_least=p.spike_ns,
            remedy="take a larger filter capacitor",
        ),
        RatedQuantity(
            "longest cable",
            "m",
            *fixed(longest),
            "RC ladder, half of the shortest pulse for the rise",
            at_least=3.0,
            remedy="take a smaller field pull-up",
        ),
        RatedQuantity(
            "current into the 3.3 V rail from all inputs at 24 V",
            "mA",
            *fixed(clamp),
            "Ohm's law over the series resistors",
            at_most=p.rail_least_load_ma,
            remedy="take larger series resistors",
        ),
        RatedQuantity(
            "low level at the pin",
            "mV",
            0.0,
            p.output_low_mv,
            p.output_low_max_mv,
            "data of the output",
            at_most=500.0,
            remedy="take a larger output pull-up",
        ),
        RatedQuantity("high level at the pin", "mV", *high_mv, "the 3.3 V rail through the pull-up"),
    ]


OFF_UP_TO_V = 5.0
ON_FROM_V = 15.0
INPUT_HIGH_MIN_MV = 2000.0


def diode_ma(volts: float, series_ohm: float, zener_v: float, forward_v: float, bypass_ohm: float) -> float:
    """Current (mA) through the light-emitting diode at an input voltage, less what the bypass takes."""
    return max(0.0, (volts - zener_v - forward_v) / series_ohm - forward_v / bypass_ohm) * 1000


def input_volts(ma: float, series_ohm: float, zener_v: float, forward_v: float, bypass_ohm: float) -> float:
    """Input voltage (V) at which the diode carries `ma`: `diode_ma` the other way round."""
    return series_ohm * (ma / 1000 + forward_v / bypass_ohm) + zener_v + forward_v


def needed_on_ma(pull_ohm: float, logic_mv: float, saturation_mv: float, transfer: float) -> float:
    """Diode current (mA) that pulls the output down to its saturation voltage."""
    return (logic_mv - saturation_mv) / pull_ohm / transfer


def optocoupler_quantities(p: Optocoupler) -> list[RatedQuantity]:
    """Everything computed of the contact inputs, with limits."""
    supply = band(p.supply_volts, p.supply_tolerance_percent)
    series = band(p.series_ohm, p.series_tolerance_percent)
    zener = (p.zener_min_v, (p.zener_min_v + p.zener_max_v) / 2, p.zener_max_v)
    forward = (p.diode_forward_min_v, 1.2, p.diode_forward_max_v)
    logic = band(p.logic_mv, p.logic_tolerance_percent)
    worn = (p.transfer_min * p.ageing, p.transfer_min, p.transfer_max)

    def on_volts(
        series_ohm: float, zener_v: float, forward_v: float, logic_mv: float, transfer: float
    ) -> float:
        ma = needed_on_ma(p.pull_ohm, logic_mv, p.saturation_mv, transfer)
        return input_volts(ma, series_ohm, zener_v, forward_v, p.bypass_ohm)

    def off_volts(series_ohm: float, zener_v: float, forward_v: float, transfer: float) -> float:
        ma = (logic[0] - INPUT_HIGH_MIN_MV) / p.pull_ohm / transfer
        return input_volts(ma, series_ohm, zener_v, forward_v, p.bypass_ohm)

    closed = extremes(
        lambda volts, series_ohm, zener_v, forward_v: diode_ma(
            volts, series_ohm, zener_v, forward_v, p.bypass_ohm
        ),
        volts=supply,
        series_ohm=series,
        zener_v=zener,
        forward_v=forward,
    )
    power = extremes(lambda v, r, z: (v - z - p.diode_forward_min_v) ** 2 / r, v=supply, r=series, z=zener)
    open_mv = extremes(
        lambda v, dark: v - dark * 1e-3 * p.pull_ohm, v=logic, dark=(0.0, 0.1, p.dark_current_ua)
    )
    return [
        RatedQuantity(
            "diode current when closed",
            "mA",
            *closed,
            "Kirchhoff's voltage law",
            at_least=2.0,
            remedy="take a smaller series resistor",
        ),
        RatedQuantity(
            "input voltage that is surely on",
            "V",
            *extremes(
                on_volts, series_ohm=series, zener_v=zener, forward_v=forward, logic_mv=logic, transfer=worn
            ),
            "current transfer ratio, aged; IEC 61131-2 type 1",
            at_most=ON_FROM_V,
            remedy="take a smaller series resistor or a larger pull-up",
        ),
        RatedQuantity(
            "input voltage that is surely off",
            "V",
            *extremes(off_volts, series_ohm=series, zener_v=zener, forward_v=forward, transfer=worn),
            "current transfer ratio, new; IEC 61131-2 type 1",
            at_least=OFF_UP_TO_V,
            remedy="take a Zener diode of higher voltage",
        ),
        RatedQuantity(
            "power in the series resistor",
            "W",
            *power,
            "V^2 / R",
            at_most=p.series_power_w / 1.5,
            remedy="take a resistor of more power",
        ),
        RatedQuantity(
            "high level when open",
            "mV",
            *open_mv,
            "dark current through the pull-up",
            at_least=INPUT_HIGH_MIN_MV,
            remedy="take a smaller pull-up",
        ),
        RatedQuantity(
            "low level when closed",
            "mV",
            0.0,
            p.saturation_mv / 2,
            p.saturation_mv,
            "saturation voltage",
            at_most=800.0,
            remedy="take an optocoupler of lower saturation voltage",
        ),
    ]
