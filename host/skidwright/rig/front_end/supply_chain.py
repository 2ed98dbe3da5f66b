"""Supply, fuses, overload relay and wires as one chain: what a stalled motor and a short circuit really draw.

A switched-mode supply limits its current, so neither can draw more than that limit, and a fuse that the
limit does not blow protects nothing. Fuse times: IEC 60127-2, time-lag fuses 5 x 20 (2.1 times the rated
current: within 2 minutes; 2.75 times: within 10 s); overload relay: IEC 60947-4-1, class 10 (1.5 times its
setting: within 4 minutes). Both from memory.
"""

from __future__ import annotations

from .parts import FrontEnd
from .stop_chain import cable_ohm
from .worst_case import Quantity, band, extremes, fixed

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


def quantities(f: FrontEnd) -> list[Quantity]:
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
        Quantity("current that a stalled motor would draw", "A", *stall, "Ohm's law, winding and heater"),
        Quantity("current that the supply lets it draw", "A", *stalled, "the supply's current limit"),
        Quantity(
            "stall current over the overload relay's setting",
            "",
            *over(stalled, pump.motor_rated_a),
            f"IEC 60947-4-1 class 10: 1.5 times trips within {s.overload_trip_minutes:g} minutes",
            at_least=OVERLOAD_SURE,
            remedy="take a supply of more current",
        ),
        Quantity(
            "stall current over fuse F1",
            "",
            *over(stalled, pump.fuse_a),
            "IEC 60127-2: sure from 2.1 on; below that F1 does not blow, the overload relay stops the pump",
        ),
        Quantity(
            "transistor's junction while the motor is stalled",
            "degC",
            *fixed(hot),
            "I^2 R, thermal resistance, for as long as it lasts",
            at_most=pump.junction_max_c,
            remedy="take a transistor of lower resistance or more copper",
        ),
        Quantity(
            "what the pump's wires bear over the supply's limit",
            "",
            *fixed(PUMP_WIRE_A / most),
            "1.5 mm2, so the wires need no fuse behind such a supply",
            at_least=1.0,
            remedy="take thicker wire",
        ),
        Quantity(
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
            Quantity(
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
