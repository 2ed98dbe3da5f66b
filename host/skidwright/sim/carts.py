"""Filter carts and dryers: what a switched output does to an asset's tank. Pure; driven by the plant."""

from __future__ import annotations

import math

from skidwright.sim.scenario_keys import Asset, Cart

Levels = list[float]


def cleaned(levels: Levels, cart: Cart, asset: Asset, dt_s: float) -> Levels:
    """Particles per mL in four size classes, then two of metal, after `dt_s` with the cart running.

    One well-mixed tank: N(>=x) goes to its floor, ingress / rate, with the rate (flow / tank) (1 - 1 / ratio)
    of that size, exactly. The machine's own filter and ingress are reckoned apart from it.
    """
    turnover_s = cart.flow_l_min / 60.0 / asset.tank_l
    rates = [turnover_s * (1.0 - 1.0 / ratio) for ratio in cart.filtration_ratio]
    above = [sum(levels[i:4]) for i in range(4)]
    for i, rate in enumerate(rates):
        inflow_s = cart.ingress_4um_per_ml_h / 3600.0 * ((4.0, 6.0, 14.0, 21.0)[i] / 4.0) ** -asset.slope
        if rate * dt_s < 1e-12:
            above[i] += inflow_s * dt_s
        else:
            floor = inflow_s / rate
            above[i] = floor + (above[i] - floor) * math.exp(-rate * dt_s)
    for i in (2, 1, 0):
        above[i] = max(above[i], above[i + 1])
    metal = [n * math.exp(-rates[3] * dt_s) for n in levels[4:]]
    return [above[i] - (above[i + 1] if i < 3 else 0.0) for i in range(4)] + metal


def dried(water_percent: float, cart: Cart, dt_s: float) -> float:
    """Water saturation after `dt_s`: it goes to what the dryer reaches, by its time constant."""
    if cart.drying_s <= 0.0:
        return water_percent
    return cart.dries_to_percent + (water_percent - cart.dries_to_percent) * math.exp(-dt_s / cart.drying_s)
