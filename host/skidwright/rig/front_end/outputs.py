"""The outputs by calculation: pump driver and the running lamp's charge pump."""

from __future__ import annotations

import math

from skidwright.rig.front_end.parts import (
    Comparator,
    Heartbeat,
    PumpDriver,
    RatedQuantity,
    band,
    extremes,
    fixed,
)
from skidwright.rig.wiring.chip import OUTPUT_HIGH_MIN_MV, PIN_LEAKAGE_UA


def ripple_a(supply_v: float, duty: float, henry: float, hz: float) -> float:
    """Peak-to-peak current ripple (A) of an inductive load switched against its free-wheeling diode."""
    return supply_v * duty * (1 - duty) / (henry * hz)


def transistor_w(p: PumpDriver, supply_v: float, amps: float, duty: float) -> float:
    """Loss (W) in the hot transistor: conduction while on, and two edges a period."""
    conduction = amps * amps * p.transistor_on_mohm / 1000 * p.transistor_hot_factor * duty
    return conduction + supply_v * amps * p.switching_ns * 1e-9 * p.pwm_hz / 2


def bulk_ripple_a(amps: float, duty: float = 0.5) -> float:
    """RMS current (A) of a buck converter's input capacitor, the supply's leads taken as stiff."""
    return float(amps * (duty * (1 - duty)) ** 0.5)


def diode_w(p: PumpDriver, amps: float, duty: float) -> float:
    """Loss (W) in the free-wheeling diode."""
    return p.diode_forward_v * amps * (1 - duty)


def pump_quantities(p: PumpDriver) -> list[RatedQuantity]:
    """Everything computed of the pump drive, with limits."""
    supply = band(p.supply_volts, p.supply_tolerance_percent)
    duty = (0.06, 0.5, 1.0)
    hot = extremes(
        lambda v, d: p.ambient_c + p.transistor_k_per_w * transistor_w(p, v, p.motor_rated_a, d),
        v=supply,
        d=duty,
    )
    diode_hot = extremes(lambda d: p.ambient_c + p.diode_k_per_w * diode_w(p, p.motor_rated_a, d), d=duty)
    peak = extremes(lambda v: v + p.diode_forward_v, v=supply)
    ripple = ripple_a(supply[2], 0.5, p.motor_mh / 1000, p.pwm_hz)
    held = (PIN_LEAKAGE_UA + p.driver_input_ua) * p.pin_pull_ohm / 1000
    gate = p.gate_leakage_ua * p.gate_pull_ohm / 1e6
    energy = p.motor_mh * p.motor_rated_a**2 / 2
    bulk_a = bulk_ripple_a(p.motor_rated_a)
    return [
        RatedQuantity(
            "ripple at half duty",
            "A",
            *fixed(ripple),
            "V D (1 - D) / (L f)",
            at_most=0.3 * p.motor_rated_a,
            remedy="raise pwm_hz or add a choke",
        ),
        RatedQuantity(
            "transistor's junction at rated current",
            "degC",
            *hot,
            "I^2 R + V I t f / 2, thermal resistance",
            at_most=p.junction_max_c,
            remedy="give it more copper or a lower on-resistance",
        ),
        RatedQuantity(
            "diode's junction at rated current",
            "degC",
            *diode_hot,
            "V_f I (1 - D), thermal resistance",
            at_most=p.junction_max_c,
            remedy="give the diode a heat sink",
        ),
        RatedQuantity(
            "peak voltage at the transistor, diode in place",
            "V",
            *peak,
            "supply + forward voltage",
            at_most=0.8 * p.transistor_volts,
            remedy="take a transistor of higher voltage",
        ),
        RatedQuantity(
            "alternating current in the bulk capacitor at half duty",
            "A",
            *fixed(bulk_a),
            "I sqrt(D (1 - D)), all of it through the capacitor",
            at_most=p.bulk_ripple_a,
            remedy="take a capacitor for more ripple current",
        ),
        RatedQuantity("energy in the motor's inductance", "mJ", *fixed(energy), "L I^2 / 2, into the diode"),
        RatedQuantity(
            "fuse over rated current",
            "",
            *fixed(p.fuse_a / p.motor_rated_a),
            "common practice, no source: 1.3 or more",
            at_least=1.3,
            remedy="take a larger fuse, if the cable bears it",
        ),
        RatedQuantity(
            "driver's input while no program runs",
            "mV",
            0.0,
            held,
            held,
            "leakage through the resistor to 0 V",
            at_most=p.driver_low_max_mv,
            remedy="take a smaller resistor to 0 V",
        ),
        RatedQuantity(
            "gate while the gate driver has no supply",
            "V",
            0.0,
            gate,
            gate,
            "leakage through the gate's resistor",
            at_most=p.gate_threshold_min_v / 2,
            remedy="take a smaller gate resistor",
        ),
    ]


STEPS = 2
PIN_MOST_MV = 3400.0
# Leakage of the store's diode, transistors and dirt: taken.
LEAKAGE_UA = 0.5


def lamp_gate_v(swing_v: float, diode_v: float, pump_f: float, bleed_ohm: float, period_s: float) -> float:
    """Voltage (V) at the store with the pin beating: two steps less the diodes' and the load's share."""
    free = STEPS * (swing_v - 2 * diode_v)
    # V = free - I (n / (f C)), and I = V / R + leakage
    drop = STEPS * period_s / pump_f
    return (free - LEAKAGE_UA * 1e-6 * drop) / (1 + drop / bleed_ohm)


def dark_s(start_v: float, threshold_v: float, farad: float, bleed_ohm: float) -> float:
    """Time (s) for the store to fall to the lamp's threshold."""
    return bleed_ohm * farad * math.log(start_v / threshold_v)


def heartbeat_quantities(p: Heartbeat, comparator: Comparator) -> list[RatedQuantity]:
    """Everything computed of the running lamp, with limits."""
    swing = (OUTPUT_HIGH_MIN_MV / 1000, comparator.supply_mv / 1000, PIN_MOST_MV / 1000)
    diode = (0.1, 0.2, p.diode_mv / 1000)
    pump = band(p.pump_uf * 1e-6, 20)
    bleed = band(p.bleed_ohm, 5)
    # A slow beat every time, two ticks, would be the worst; a single gap is bridged by the store.
    gate = extremes(
        lambda s, d, c, r, t: lamp_gate_v(s, d, c, r, t),
        s=swing,
        d=diode,
        c=pump,
        r=bleed,
        t=(2 * p.tick_ms / 1000, 2 * p.tick_ms / 1000, 4 * p.tick_ms / 1000),
    )
    # After the last beat the first step's capacitor still feeds the store.
    store = band(p.store_uf * 1e-6 + p.pump_uf * 1e-6, 20)
    dark = extremes(
        lambda v, c, r: dark_s(v, p.lamp_threshold_min_v, c, r) * 1000,
        v=(gate[0], gate[1], gate[2]),
        c=store,
        r=bleed,
    )
    return [
        RatedQuantity(
            'gate of lamp "running" while the pin beats',
            "V",
            *gate,
            "charge pump, two steps, a tick of up to 200 ms",
            at_least=p.lamp_threshold_max_v,
            remedy="take larger pump capacitors",
        ),
        RatedQuantity(
            'lamp "running" is dark after the last beat',
            "ms",
            *dark,
            "R C ln(V / V_T)",
            at_most=p.dark_limit_ms,
            remedy="take a smaller store capacitor or bleed resistor",
        ),
    ]
