"""The stop chain: does relay K1 pick up, how soon does it let go, does its contact carry the pump?

It cuts the pump's supply by a contact, with no program in the path. It is a single channel without
monitoring: it is not a safety function and carries no performance level.

Formulas: R = rho l / A with copper 0.0175 ohm mm2/m at 20 degC (IEC 60228) and 0.393 %/K (IEC 60028);
current of a coil after opening i = I e^(-t R / L) - (V / R) (1 - e^(-t R / L)) with suppressor voltage V.
"""

from __future__ import annotations

import math

from .parts import PumpDriver, StopChain
from .worst_case import Quantity, band, extremes, fixed

COPPER_OHM_MM2_M = 0.0175
COPPER_PER_K = 0.00393


def cable_ohm(length_m: float, area_mm2: float) -> float:
    """Resistance (ohm) of a copper pair, there and back, at 20 degC."""
    return 2 * COPPER_OHM_MM2_M * length_m / area_mm2


def coil_volts(supply_v: float, coil_ohm: float, chain_ohm: float) -> float:
    """Voltage (V) left for the coil behind cable and contacts."""
    return supply_v * coil_ohm / (coil_ohm + chain_ohm)


def release_ms(henry: float, ohm: float, start_ma: float, end_ma: float, suppressor_v: float) -> float:
    """Time (ms) for a coil's current to fall from `start_ma` to `end_ma` against a suppressor's voltage."""
    push_ma = suppressor_v / ohm * 1000
    return 1000 * henry / ohm * math.log((start_ma + push_ma) / (end_ma + push_ma))


def motor_decay_ms(p: PumpDriver, share: float) -> float:
    """Time (ms) for the motor's current to fall to a share of itself without supply, by resistance alone."""
    return p.motor_mh / p.motor_ohm * math.log(1 / share)


def inrush_a(p: PumpDriver) -> float:
    """Peak current (A) when K1 closes on the empty bulk capacitor, by its leads' inductance and resistance.

    Damped L C circuit from rest: i = V / (w L) e^(-a t) sin(w t), at its peak.
    """
    volts = p.supply_volts * (1 + p.supply_tolerance_percent / 100)
    henry, farad, ohm = p.supply_lead_uh * 1e-6, p.bulk_uf * 1e-6, 0.08 + p.bulk_esr_ohm
    a, w0 = ohm / (2 * henry), 1 / math.sqrt(henry * farad)
    if a >= w0:
        # overdamped: both roots real
        root = math.sqrt(a * a - w0 * w0)
        t = math.log((a + root) / (a - root)) / (2 * root)
        return volts / (henry * root) * math.exp(-a * t) * math.sinh(root * t)
    w = math.sqrt(w0 * w0 - a * a)
    t = math.atan2(w, a) / w
    return volts / (w * henry) * math.exp(-a * t) * math.sin(w * t)


def quantities(p: StopChain, pump: PumpDriver) -> list[Quantity]:
    """Everything computed of the stop chain, with limits."""
    supply = band(p.supply_volts, p.supply_tolerance_percent)
    coil = band(p.coil_ohm, p.coil_tolerance_percent)
    chain = cable_ohm(p.cable_m, p.cable_mm2) + p.contacts * p.contact_ohm
    warm = 1 + COPPER_PER_K * p.coil_warm_k
    pick_up_warm_v = p.supply_volts * p.pick_up_percent / 100 * warm
    at_coil = extremes(lambda v, r: coil_volts(v, r, chain), v=supply, r=coil)

    def release(volts: float, ohm: float) -> float:
        start = volts / ohm * 1000
        drop = p.supply_volts * p.drop_out_percent / 100 / p.coil_ohm * 1000
        return release_ms(p.coil_henry, ohm, start, drop, p.suppressor_v + 0.7)

    kept = p.contact_rating_a / pump.motor_rated_a
    decay = motor_decay_ms(pump, 0.01)
    return [
        Quantity("resistance of cable and contacts", "ohm", *fixed(chain), "rho l / A, IEC 60228"),
        Quantity(
            "voltage at the coil",
            "V",
            *at_coil,
            "divider; must exceed the pick-up voltage of the warm coil",
            at_least=pick_up_warm_v,
            remedy="shorten or thicken the chain's cable",
        ),
        Quantity(
            "coil current falls to drop-out",
            "ms",
            *extremes(release, volts=supply, ohm=coil),
            "L / R ln(...), Zener and diode at the coil",
            at_most=p.release_limit_ms,
            remedy="take a suppressor of higher voltage",
        ),
        Quantity(
            "contact rating over rated current",
            "",
            *fixed(kept),
            "common practice, no source: 2 or more",
            at_least=2.0,
            remedy="take a relay with a stronger contact",
        ),
        Quantity(
            "inrush into the pump's bulk capacitor",
            "A",
            *fixed(inrush_a(pump)),
            "V / (R + sqrt(L / C)), supply's output and leads 0.08 ohm: taken",
            at_most=p.contact_peak_a,
            remedy="take a smaller bulk capacitor or a relay for more inrush",
        ),
        Quantity(
            "motor current after the contact has opened, down to 1 %",
            "ms",
            *fixed(decay),
            "L / R ln(100), through the diode at the motor",
        ),
    ]
