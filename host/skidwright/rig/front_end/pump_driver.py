"""The pump drive: ripple, losses, free-wheeling, and what the gate does while no program runs.

Formulas: ripple V D (1 - D) / (L f), conduction I^2 R, switching V I t f / 2, diode V_f I (1 - D)
(Mohan, Undeland, Robbins, Power Electronics, 3rd ed., chapters 2 and 7); thermal resistance,
T = T_a + P R_th.
"""

from __future__ import annotations

from ..wiring.chip import PIN_LEAKAGE_UA
from .parts import PumpDriver
from .worst_case import Quantity, band, extremes, fixed


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


def quantities(p: PumpDriver) -> list[Quantity]:
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
        Quantity(
            "ripple at half duty",
            "A",
            *fixed(ripple),
            "V D (1 - D) / (L f)",
            at_most=0.3 * p.motor_rated_a,
            remedy="raise pwm_hz or add a choke",
        ),
        Quantity(
            "transistor's junction at rated current",
            "degC",
            *hot,
            "I^2 R + V I t f / 2, thermal resistance",
            at_most=p.junction_max_c,
            remedy="give it more copper or a lower on-resistance",
        ),
        Quantity(
            "diode's junction at rated current",
            "degC",
            *diode_hot,
            "V_f I (1 - D), thermal resistance",
            at_most=p.junction_max_c,
            remedy="give the diode a heat sink",
        ),
        Quantity(
            "peak voltage at the transistor, diode in place",
            "V",
            *peak,
            "supply + forward voltage",
            at_most=0.8 * p.transistor_volts,
            remedy="take a transistor of higher voltage",
        ),
        Quantity(
            "alternating current in the bulk capacitor at half duty",
            "A",
            *fixed(bulk_a),
            "I sqrt(D (1 - D)), all of it through the capacitor",
            at_most=p.bulk_ripple_a,
            remedy="take a capacitor for more ripple current",
        ),
        Quantity("energy in the motor's inductance", "mJ", *fixed(energy), "L I^2 / 2, into the diode"),
        Quantity(
            "fuse over rated current",
            "",
            *fixed(p.fuse_a / p.motor_rated_a),
            "common practice, no source: 1.3 or more",
            at_least=1.3,
            remedy="take a larger fuse, if the cable bears it",
        ),
        Quantity(
            "driver's input while no program runs",
            "mV",
            0.0,
            held,
            held,
            "leakage through the resistor to 0 V",
            at_most=p.driver_low_max_mv,
            remedy="take a smaller resistor to 0 V",
        ),
        Quantity(
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
