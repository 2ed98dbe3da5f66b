"""The fluid in each asset: dirt, water, temperature and viscosity as functions of time."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from typing import TYPE_CHECKING

from skidwright.sim.scenario_keys import Cart, PlantAsset, TopUp

if TYPE_CHECKING:
    from skidwright.sim.truth import Truth

Levels = list[float]


def cleaned(levels: Levels, cart: Cart, asset: PlantAsset, dt_s: float) -> Levels:
    """Particles per mL in four size classes, then two of metal, after `dt_s` with the cart running.

    One well-mixed tank: N(>=x) goes to its floor, ingress / rate, with the rate (flow / tank) (1 - 1 / ratio)
    of that size, exactly. The machine's own filter and ingress are calculated apart from it.
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
    """The carts at the tanks, each with the fluid it cleans; what they do is calculated when it matters."""

    def __init__(self, places: list[tuple[Cart, PlantFluid]], truth: Truth) -> None:
        self._places = places
        self._truth = truth
        self._reckoned_us = 0

    def __bool__(self) -> bool:
        return bool(self._places)

    def switch(self, t_us: int, before: int, after: int) -> None:
        """The board's outputs change; what a cart did until now is worked with them as they were."""
        self.work(t_us, before)
        for cart, fluid in self._places:
            was, now = (mask >> cart.output - 1 & 1 for mask in (before, after))
            if was != now:
                self._truth.cart(t_us, fluid.asset.number, bool(now))

    def work(self, t_us: int, outputs: int) -> None:
        """Take the carts' work since they were last calculated into the tanks."""
        dt_s = (t_us - self._reckoned_us) * 1e-6
        self._reckoned_us = t_us
        for cart, fluid in self._places:
            if outputs >> cart.output - 1 & 1 and dt_s > 0.0:
                fluid.clean(cart, t_us * 1e-6, dt_s)


# Lower edges of the size classes: the four channels of the counter.
SIZES_UM = (4.0, 6.0, 14.0, 21.0)


def viscosity_mm2_s(a: float, b: float, temperature_c: float) -> float:
    """Kinematic viscosity in mm2/s by ASTM D341: log log (v + 0.7) = a - b log T, T in kelvin, base 10."""
    exponent = a - b * math.log10(temperature_c + 273.15)
    return float(10.0 ** (10.0 ** min(exponent, 0.85)) - 0.7)


def viscosity_constants(v40_mm2_s: float, v100_mm2_s: float) -> tuple[float, float]:
    """The constants a and b of ASTM D341 from the viscosities at 40 and 100 degC."""
    y40 = math.log10(math.log10(v40_mm2_s + 0.7))
    y100 = math.log10(math.log10(v100_mm2_s + 0.7))
    b = (y40 - y100) / (math.log10(373.15) - math.log10(313.15))
    return y40 + b * math.log10(313.15), b


def classes(n4_per_ml: float, slope: float) -> list[float]:
    """Particles per mL of 4-6, 6-14, 14-21 and above 21 um(c) in a power law N(>d) = N(>4) (d/4)^-slope."""
    above = [n4_per_ml * (d / 4.0) ** -slope for d in SIZES_UM] + [0.0]
    return [above[i] - above[i + 1] for i in range(4)]


def between(points: Sequence[Sequence[float]], t_s: float) -> float:
    """The value at `t_s` on straight lines between [time, value] points, constant outside."""
    i = bisect_right(points, t_s, key=lambda p: p[0])
    if i == 0:
        return points[0][1]
    if i == len(points):
        return points[-1][1]
    (t0, v0), (t1, v1) = points[i - 1], points[i]
    return v0 + (v1 - v0) * (t_s - t0) / (t1 - t0)


class PlantFluid:
    """One asset's fluid. Contamination follows the filter's clean-up in closed form between top-ups.

    Each size class i decays towards its rest level with the rate
    (filter flow / tank) (1 - 1 / filtration ratio), the usual well-mixed tank.
    """

    def __init__(self, asset: PlantAsset, top_ups: Sequence[TopUp]) -> None:
        self.asset = asset
        self.viscosity = viscosity_constants(asset.v40_mm2_s, asset.v100_mm2_s)
        rest = asset.rest_4um_per_ml if asset.rest_4um_per_ml >= 0 else asset.particles_4um_per_ml
        turnover_s = asset.filter_l_min / 60.0 / asset.tank_l
        rates = [turnover_s * (1.0 - 1.0 / ratio) for ratio in asset.filtration_ratio]
        # Metal is about as well filtered as the largest class.
        self._rates = [*rates, rates[3], rates[3]]
        metal = [asset.ferrous_per_ml, asset.nonferrous_per_ml]
        self._rest = classes(rest, asset.slope) + metal
        level = classes(asset.particles_4um_per_ml, asset.slope) + metal
        self._top_ups = sorted(top_ups, key=lambda u: u.at_s)
        self._dried = 0.0
        self._begin(-1.0, 0.0, level)

    def _begin(self, after_s: float, t_s: float, level: list[float]) -> None:
        """Go on from `level` at `t_s`, with the top-ups that come after `after_s`."""
        self._levels = [(t_s, level)]
        for top_up in self._top_ups:
            if top_up.at_s > after_s:
                added = [*classes(top_up.adds_4um_per_ml, top_up.slope), top_up.adds_ferrous_per_ml, 0.0]
                level = [c + d for c, d in zip(self.per_ml(top_up.at_s), added, strict=True)]
                self._levels.append((top_up.at_s, level))

    def clean(self, cart: Cart, t_s: float, dt_s: float) -> None:
        """A cart has run for the `dt_s` seconds up to `t_s`."""
        self._begin(t_s, t_s, cleaned(self.per_ml(t_s), cart, self.asset, dt_s))
        water = self.water_percent(t_s)
        self._dried += dried(water, cart, dt_s) - water

    def per_ml(self, t_s: float) -> list[float]:
        """Particles per mL at `t_s` in four size classes, then ferrous and non-ferrous metal."""
        i = bisect_right(self._levels, t_s, key=lambda p: p[0]) - 1
        t0, level = self._levels[max(i, 0)]
        dt = t_s - t0
        return [
            r + (c - r) * math.exp(-k * dt) for r, c, k in zip(self._rest, level, self._rates, strict=True)
        ]

    def water_percent(self, t_s: float) -> float:
        """Water saturation in percent at `t_s`."""
        return max(0.0, between(self.asset.water_percent, t_s) + self._dried)

    def temperature_c(self, t_s: float) -> float:
        """Fluid temperature in the machine at `t_s`."""
        return between(self.asset.fluid_c, t_s)
