"""Filter carts and dryers: what a switched output does to an asset's tank; driven by the plant."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from skidwright.sim.scenario_keys import Asset, Cart

if TYPE_CHECKING:
    from skidwright.sim.fluid import Fluid
    from skidwright.sim.truth import Truth

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


class Carts:
    """The carts at the tanks, each with the fluid it cleans; what they do is reckoned when it matters."""

    def __init__(self, places: list[tuple[Cart, Fluid]], truth: Truth) -> None:
        self._places = places
        self._truth = truth
        self._reckoned_us = 0

    def __bool__(self) -> bool:
        return bool(self._places)

    def switch(self, t_us: int, before: int, after: int) -> None:
        """The board's outputs change; what a cart did until now is reckoned with them as they were."""
        self.work(t_us, before)
        for cart, fluid in self._places:
            was, now = (mask >> cart.output - 1 & 1 for mask in (before, after))
            if was != now:
                self._truth.cart(t_us, fluid.asset.number, bool(now))

    def work(self, t_us: int, outputs: int) -> None:
        """Take the carts' work since they were last reckoned into the tanks."""
        dt_s = (t_us - self._reckoned_us) * 1e-6
        self._reckoned_us = t_us
        for cart, fluid in self._places:
            if outputs >> cart.output - 1 & 1 and dt_s > 0.0:
                fluid.clean(cart, t_us * 1e-6, dt_s)
