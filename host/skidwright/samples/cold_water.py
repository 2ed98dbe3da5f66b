"""A sample's water: how well it is known, and what it is at the coldest temperature the machine sees.
The same water is a higher saturation in colder fluid. A reading is carried to the coldest
temperature by the
fluid's own constants, else by both published pairs of `skidwright.formulas.water`, which gives a
range; whether
it is within a limit `skidwright.standing` decides. Where nobody gave a coldest temperature, or the
sample was
colder still, it is judged at the sample's own, and the words say so."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.checks import CheckLimits, SettingsHistory
from skidwright.formulas import current_loop
from skidwright.formulas.water import PUBLISHED, Solubility, content_ppm, solubility_ppm

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


# The input of docs/wiring.md: largest error at 20 mA, and one step of its converter over 22 mA full scale.
UNCALIBRATED_UA, CALIBRATED_UA = 760.0, 100.0
OWN_CONVERTER_STEP_UA = current_loop.converter_step_ua(12, 22_000)
FINE_CONVERTER_STEP_UA = current_loop.converter_step_ua(16, 22_000)


def uncertainty_percent(
    samples: NDArray[np.void], settings: SettingsHistory, limits: CheckLimits
) -> NDArray[np.float64]:
    """Standard uncertainty (one sigma) of each mean saturation, in % saturation; NaN for a failed loop.

    The error's limit is `loop_error_ua` of the limits, else that of the input in docs/wiring.md, by whether
    the loop was calibrated or the 16-bit converter is fitted. The sensor's own error is not in it.
    """
    out = np.full(len(samples), np.nan)
    crcs, which = np.unique(samples["settings_crc"], return_inverse=True)
    for place, crc in enumerate(crcs.tolist()):
        known: Any = settings.of(crc) or settings.fallback
        rows = which == place
        fine = known["loop_converter"] != 0
        calibrated = known["water_offset_ua"] != 0 or known["water_gain_ppm"] != 0
        error_ua = limits.loop_error_ua or (CALIBRATED_UA if fine or calibrated else UNCALIBRATED_UA)
        part = samples[rows]
        spread_ua = part["water_max_ua"].astype(np.float64) - part["water_min_ua"]
        found = current_loop.reading(
            part["water_mean_ua"].astype(np.float64),
            known["water_low_cpct"] * 0.01,
            known["water_high_cpct"] * 0.01,
            FINE_CONVERTER_STEP_UA if fine else OWN_CONVERTER_STEP_UA,
            error_ua,
            np.maximum(spread_ua, 0.0) / np.sqrt(12),
        )
        out[rows] = np.where(part["water_state"] >= current_loop.FAILED, np.nan, found.uncertainty)
    return out
