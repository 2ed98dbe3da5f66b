"""Stop chain and supply chain by calculation: what holds, what drops, and which fuse blows."""

from __future__ import annotations

import math

from skidwright.rig.front_end.parts import (
    FrontEnd,
    PumpDriver,
    RatedQuantity,
    StopChain,
    band,
    extremes,
    fixed,
)

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


def stop_quantities(p: StopChain, pump: PumpDriver) -> list[RatedQuantity]:
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
        RatedQuantity("resistance of cable and contacts", "ohm", *fixed(chain), "rho l / A, IEC 60228"),
        RatedQuantity(
            "voltage at the coil",
            "V",
            *at_coil,
            "divider; must exceed the pick-up voltage of the warm coil",
            at_least=pick_up_warm_v,
            remedy="shorten or thicken the chain's cable",
        ),
        RatedQuantity(
            "coil current falls to drop-out",
            "ms",
            *extremes(release, volts=supply, ohm=coil),
            "L / R ln(...), Zener and diode at the coil",
            at_most=p.release_limit_ms,
            remedy="take a suppressor of higher voltage",
        ),
        RatedQuantity(
            "contact rating over rated current",
            "",
            *fixed(kept),
            "common practice, no source: 2 or more",
            at_least=2.0,
            remedy="take a relay with a stronger contact",
        ),
        RatedQuantity(
            "inrush into the pump's bulk capacitor",
            "A",
            *fixed(inrush_a(pump)),
            "V / (R + sqrt(L / C)), supply's output and leads 0.08 ohm: taken",
            at_most=p.contact_peak_a,
            remedy="take a smaller bulk capacitor or a relay for more inrush",
        ),
        RatedQuantity(
            "motor current after the contact has opened, down to 1 %",
            "ms",
            *fixed(decay),
            "L / R ln(100), through the diode at the motor",
        ),
    ]


FUSE_SURE, FUSE_FAST = 2.1, 2.75
OVERLOAD_SURE = 1.5
# Longest cable of a field device and its core (m, mm2); a core of 0.25 mm2 bears 2 A, of 1.5 mm2 12 A.
FIELD_M, FIELD_MM2 = 20.0, 0.25
PUMP_WIRE_A = 12.0


def limit_a(f: FrontEnd) -> tuple[float, float, float]:
    """(least, rated, most) current (A) that the supply gives when overloaded."""
    s = f.supply
    return s.rated_a * s.limit_min_percent / 100, s.rated_a, s.rated_a * s.limit_max_percent / 100


def over(amps: tuple[float, float, float], reference_a: float) -> tuple[float, float, float]:
    """Currents as multiples of another."""
    return amps[0] / reference_a, amps[1] / reference_a, amps[2] / reference_a


def supply_quantities(f: FrontEnd) -> list[RatedQuantity]:
    """Everything computed of the chain, with limits."""
    pump, chain, s = f.pump_driver, f.stop_chain, f.supply
    least, rated, most = limit_a(f)
    supply = band(pump.supply_volts, pump.supply_tolerance_percent)
    stall = extremes(lambda v, r: v / r, v=supply, r=band(pump.motor_ohm + pump.overload_ohm, 10))
    # What everything but the pump draws at most: docs/wiring.md, "Supplies".
    stalled = (min(stall[0], least - OTHER_LOADS_A), min(stall[1], rated), min(stall[2], most))
    hot = pump.ambient_c + pump.transistor_k_per_w * (
        stalled[2] ** 2 * pump.transistor_on_mohm / 1000 * pump.transistor_hot_factor
    )
    found = [
        RatedQuantity(
            "current that a stalled motor would draw", "A", *stall, "Ohm's law, winding and heater"
        ),
        RatedQuantity("current that the supply lets it draw", "A", *stalled, "the supply's current limit"),
        RatedQuantity(
            "stall current over the overload relay's setting",
            "",
            *over(stalled, pump.motor_rated_a),
            f"IEC 60947-4-1 class 10: 1.5 times trips within {s.overload_trip_minutes:g} minutes",
            at_least=OVERLOAD_SURE,
            remedy="take a supply of more current",
        ),
        RatedQuantity(
            "stall current over fuse F1",
            "",
            *over(stalled, pump.fuse_a),
            "IEC 60127-2: sure from 2.1 on; below that F1 does not blow, the overload relay stops the pump",
        ),
        RatedQuantity(
            "transistor's junction while the motor is stalled",
            "degC",
            *fixed(hot),
            "I^2 R, thermal resistance, for as long as it lasts",
            at_most=pump.junction_max_c,
            remedy="take a transistor of lower resistance or more copper",
        ),
        RatedQuantity(
            "what the pump's wires bear over the supply's limit",
            "",
            *fixed(PUMP_WIRE_A / most),
            "1.5 mm2, so the wires need no fuse behind such a supply",
            at_least=1.0,
            remedy="take thicker wire",
        ),
        RatedQuantity(
            "what K1's contact bears over the supply's limit",
            "",
            *fixed(chain.contact_rating_a / most),
            "continuous rating of the contact",
            at_least=1.0,
            remedy="take a relay with a stronger contact",
        ),
    ]
    loop = cable_ohm(FIELD_M, FIELD_MM2)
    for name, fuse in (
        ("F2, stop chain", s.fuse_stop_a),
        ("F3, sensors", s.fuse_sensor_a),
        ("F4, valves", s.fuse_valve_a),
        ("F5, lamps", s.fuse_lamp_a),
        ("F6, board", s.fuse_logic_a),
    ):
        short = min(least, supply[0] / loop)
        found.append(
            RatedQuantity(
                f"short circuit at the end of {FIELD_M:g} m over fuse {name}",
                "",
                *fixed(short / fuse),
                "supply's limit or the cable's resistance; IEC 60127-2: within 10 s from 2.75 on",
                at_least=FUSE_FAST,
                remedy="take a smaller fuse or thicker wire",
            )
        )
    return found


# Milliamperes of wiring.toml's rails but the pump's, at the worst; a test holds the two together.
OTHER_LOADS_A = 1.6
