"""Dissolved water in oil: relative saturation, content, and the temperature at which free water appears.

log10 S = A - B / T, with S the solubility in ppm by mass and T in kelvin. A and
B belong to the fluid. Relative saturation is content over solubility, so it
moves with temperature while the content stays.

Two pairs are published for mineral insulating oil (PUBLISHED). They differ: the
second gives 10 % less water at 0 degC and 13 % more at 100 degC. Neither holds
for a hydraulic, gear or engine oil, whose additives can take up several times
as much (common practice, no source); its pair must be measured. `fit_two_points`
makes one from two readings of saturation at different temperatures, with the
content known (Karl Fischer titration, ASTM D6304).

At 100 % the oil is full; more water is free water, which a saturation reading
cannot measure. So no saturation above 100 % is ever given, and free water is
given as content.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats

KELVIN = 273.15


class Solubility(NamedTuple):
    """A fluid's constants for log10 S = a - b / T, and where they come from."""

    a: float
    b: float
    name: str
    source: str


def own_solubility(a: float, b: float) -> Solubility:
    """A fluid's own constants, as somebody gave them for an asset."""
    return Solubility(a, b, "own", "water_a and water_b of the asset")


PUBLISHED = {
    "mineral-7.09": Solubility(
        7.0895,
        1567.0,
        "mineral-7.09",
        "mineral insulating oil; IEEE C57.106, from memory, not checked against the printed guide",
    ),
    "mineral-7.42": Solubility(
        7.42,
        1670.0,
        "mineral-7.42",
        "mineral insulating oil; T. V. Oommen, Moisture equilibrium in paper-oil insulation systems, "
        "16th Electrical/Electronics Insulation Conference, 1983; from memory",
    ),
}
DEFAULT = "mineral-7.09"


class State(NamedTuple):
    """Water at one temperature: relative saturation in % (never above 100) and free water in ppm."""

    rs_percent: Floats
    free_ppm: Floats


def solubility_ppm(temp_c: ArrayLike, fluid: Solubility) -> Floats:
    """Water that the fluid can dissolve, ppm by mass; ValueError at or below absolute zero."""
    kelvin = np.asarray(temp_c, dtype=np.float64) + KELVIN
    if np.any(kelvin <= 0):
        raise ValueError("a temperature above absolute zero is needed")
    return np.asarray(10 ** (fluid.a - fluid.b / kelvin))


def content_ppm(rs_percent: ArrayLike, temp_c: ArrayLike, fluid: Solubility) -> Floats:
    """Dissolved water in ppm by mass at a relative saturation and temperature.

    Readings are held to 0 to 100 %, where a loop's zero and span errors may carry them
    beyond. At 100 % it is the least there is: free water would not show.
    """
    return np.clip(np.asarray(rs_percent, dtype=np.float64), 0, 100) / 100 * solubility_ppm(temp_c, fluid)


def state_at(content_ppm: ArrayLike, temp_c: ArrayLike, fluid: Solubility) -> State:
    """Saturation and free water of a total content at a temperature; ValueError for a negative content."""
    content = np.asarray(content_ppm, dtype=np.float64)
    if np.any(content < 0):
        raise ValueError("a water content cannot be negative")
    full = solubility_ppm(temp_c, fluid)
    return State(np.minimum(content / full, 1.0) * 100, np.maximum(content - full, 0.0))


def carry(rs_percent: ArrayLike, temp_c: ArrayLike, to_c: ArrayLike, fluid: Solubility) -> State:
    """A reading of saturation carried to another temperature, the content staying the same."""
    same = np.asarray(temp_c, dtype=np.float64) == np.asarray(to_c, dtype=np.float64)
    found = state_at(content_ppm(rs_percent, temp_c, fluid), to_c, fluid)
    held = np.clip(np.asarray(rs_percent, dtype=np.float64), 0, 100)
    return State(np.where(same, held, found.rs_percent), np.where(same, 0.0, found.free_ppm))


def free_water_below_c(rs_percent: ArrayLike, temp_c: ArrayLike, fluid: Solubility) -> Floats:
    """Temperature in degC below which free water appears; -inf for a reading of 0 %."""
    content = content_ppm(rs_percent, temp_c, fluid)
    with np.errstate(divide="ignore"):
        return np.where(content > 0, fluid.b / (fluid.a - np.log10(content)) - KELVIN, -np.inf)


def fit_two_points(
    temp_1_c: float,
    rs_1_percent: float,
    content_1_ppm: float,
    temp_2_c: float,
    rs_2_percent: float,
    content_2_ppm: float,
) -> Solubility:
    """A fluid's constants from two readings of saturation with the content known (it may be the same sample).

    The further apart the temperatures, and the nearer to 50 % the readings, the better.
    ValueError when the temperatures are equal, a reading is not within 0 to 100 % or a
    content not above 0, or when the fluid would dissolve less when hot.
    """
    if temp_1_c == temp_2_c:
        raise ValueError("two different temperatures are needed")
    inverse, log_s = [], []
    for temp_c, rs, content in (
        (temp_1_c, rs_1_percent, content_1_ppm),
        (temp_2_c, rs_2_percent, content_2_ppm),
    ):
        if not 0 < rs < 100:
            raise ValueError(f"saturation: {rs} is not between 0 and 100 %")
        if content <= 0:
            raise ValueError(f"water content: {content} ppm is not above 0")
        if temp_c <= -KELVIN:
            raise ValueError("a temperature above absolute zero is needed")
        inverse.append(1 / (temp_c + KELVIN))
        log_s.append(float(np.log10(content / (rs / 100))))
    b = (log_s[1] - log_s[0]) / (inverse[0] - inverse[1])
    if b <= 0:
        raise ValueError("by these readings the fluid would dissolve less water when hot: check them")
    return Solubility(log_s[0] + b * inverse[0], b, "fitted", "two-point fit")
