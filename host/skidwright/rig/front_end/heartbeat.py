"""The "running" lamp: what the charge pump gives while the pin beats, and how soon the lamp is dark without.

Two steps of a charge pump lift the pin's swing: V = n (swing - 2 V_f) without load, less I / (f C) a step
(Dickson's formula; Cockcroft and Walton's for the fall under load); R C for the time after the last beat.
"""

from __future__ import annotations

import math

from ..wiring.chip import OUTPUT_HIGH_MIN_MV
from .parts import Comparator, Heartbeat
from .worst_case import Quantity, band, extremes

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


def quantities(p: Heartbeat, comparator: Comparator) -> list[Quantity]:
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
        Quantity(
            'gate of lamp "running" while the pin beats',
            "V",
            *gate,
            "charge pump, two steps, a tick of up to 200 ms",
            at_least=p.lamp_threshold_max_v,
            remedy="take larger pump capacitors",
        ),
        Quantity(
            'lamp "running" is dark after the last beat',
            "ms",
            *dark,
            "R C ln(V / V_T)",
            at_most=p.dark_limit_ms,
            remedy="take a smaller store capacitor or bleed resistor",
        ),
    ]
