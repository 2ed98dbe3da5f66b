"""Water where it does harm: at the coldest temperature the machine sees. One rule for all that judges it.

The same water is a higher saturation in colder fluid. A reading is carried to the coldest temperature by the
fluid's own constants, else by both published pairs of `skidwright.trade.water`, which gives a range; whether
it is within a limit `skidwright.standing` decides. Where nobody gave a coldest temperature, or the sample was
colder still, it is judged at the sample's own, and the words say so.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from skidwright.trade.water import PUBLISHED, Solubility, content_ppm, solubility_ppm

Floats = NDArray[np.float64]

FULL_PERCENT = 100.0


class Carried(NamedTuple):
    """Readings at the temperature at which they are judged, arrays of one row a reading.

    `low_percent` and `high_percent` are the least and the most by the constants, % of saturation; above 100
    the water is free. `at_c` is that temperature, NaN where none is known.
    """

    low_percent: Floats
    high_percent: Floats
    at_c: Floats


def fluids(own: Solubility | None) -> list[Solubility]:
    """The fluid's own constants, else both published pairs."""
    return [own] if own else list(PUBLISHED.values())


def carried(percent: Floats, warm_c: Floats, cold_c: float, fluid: Solubility) -> Floats:
    """The same water as a share of what the fluid can dissolve at `cold_c`, percent; above 100 it is free."""
    return np.asarray(content_ppm(percent, warm_c, fluid) / solubility_ppm(cold_c, fluid) * 100)


def at_coldest(percent: Floats, warm_c: Floats, coldest_c: float | None, own: Solubility | None) -> Carried:
    """Saturations `percent`, read at `warm_c`, where they are judged; `own`: the fluid's constants or None.

    Where the temperature of a reading is not known (NaN) it cannot be carried: it stays as read, `at_c` NaN.
    """
    percent, warm_c = np.asarray(percent, np.float64), np.asarray(warm_c, np.float64)
    if coldest_c is None:
        return Carried(percent, percent, warm_c)
    colder = warm_c > coldest_c
    known = np.where(colder, warm_c, coldest_c)
    by_each = np.stack([carried(percent, known, coldest_c, fluid) for fluid in fluids(own)])
    return Carried(
        np.where(colder, by_each.min(axis=0), percent),
        np.where(colder, by_each.max(axis=0), percent),
        np.where(colder, coldest_c, warm_c),
    )


def saturation(low_percent: float, high_percent: float, digits: int = 0) -> str:
    """A range in words: "43 % of saturation", "85 to 92 % of saturation", "free water".

    More than 100 % there is not: what is beyond is free water, which a saturation does not measure.
    """
    low, high = f"{low_percent:.{digits}f}", f"{high_percent:.{digits}f}"
    if low_percent >= FULL_PERCENT:
        return "free water"
    if high_percent >= FULL_PERCENT:
        return f"{low} % of saturation up to free water"
    return f"{low} % of saturation" if low == high else f"{low} to {high} % of saturation"


def where(warm_c: float, at_c: float, coldest_c: float | None) -> str:
    """At which temperature a reading is judged, and why there."""
    if np.isnan(warm_c):
        return "as read, since its temperature is not known"
    if coldest_c is None:
        return f"at {warm_c:.0f} degC, the sample's own temperature, since no coldest is known"
    if at_c < warm_c:
        return f"at {coldest_c:g} degC, the coldest it gets"
    return f"at {warm_c:.0f} degC, the sample's own temperature, which is no warmer than the coldest given"
