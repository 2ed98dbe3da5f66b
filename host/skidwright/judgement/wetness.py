"""Water where it does harm: at the coldest temperature the machine sees.

The same water is a higher saturation in colder fluid. Readings are carried to the asset's coldest temperature
by the fluid's own constants, else by both published pairs of `skidwright.trade.water`, which gives a range.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.config import Asset
from skidwright.register.model import AssetRecord
from skidwright.samples.coldest import carried, fluids
from skidwright.samples.history import ABSENT, JUDGED, VALID, History
from skidwright.trade.water import Solubility, free_water_below_c

Floats = NDArray[np.float64]

MET, NOT_MET, WHEN_COLD, FREE, OPEN = "met", "not met", "not met when cold", "free water when cold", "open"
NO_VALID, NO_LIMIT, NOT_MEASURED = "no valid readings", "no limit set", "not measured"


@dataclass(frozen=True)
class WaterState:
    """`state` is one of the words above, OPEN where the published constants do not agree.

    Saturations in percent of the newest `samples` valid readings (median): as read at `warm_c`, and lowest
    and highest at `cold_c` (above 100 means free water). `free_below_c`: where free water begins. NaN for
    unknown.
    """

    state: str
    percent: float = np.nan
    warm_c: float = np.nan
    cold_c: float = np.nan
    cold_percent: tuple[float, float] = (np.nan, np.nan)
    free_below_c: tuple[float, float] = (np.nan, np.nan)
    samples: int = 0


def fluids_of(asset: Asset | AssetRecord) -> list[Solubility]:
    """The asset's own constants, else both published pairs."""
    return fluids(asset.solubility)


def water_state(history: History, asset: Asset | AssetRecord) -> WaterState:
    """How wet the fluid of `asset` is by the newest valid readings, and how wet when cold."""
    if not len(history) or (history.water_verdict == ABSENT).all():
        return WaterState(NOT_MEASURED)
    rows = np.flatnonzero(history.water_verdict == VALID)[-JUDGED:]
    if not len(rows):
        return WaterState(NO_VALID)
    percent = float(np.median(history.water_percent[rows]))
    known = history.temperature_c[rows][np.isfinite(history.temperature_c[rows])]
    warm_c = float(np.median(known)) if len(known) else np.nan
    limit = asset.water_limit_percent
    cold_c = np.nan if asset.coldest_c is None else float(asset.coldest_c)
    cold = free = (np.nan, np.nan)
    if np.isfinite(warm_c) and percent > 0:
        fluids = fluids_of(asset)
        below = [float(free_water_below_c(percent, warm_c, fluid)) for fluid in fluids]
        free = (min(below), max(below))
        if cold_c < warm_c:
            at_cold = [float(carried(np.array(percent), np.array(warm_c), cold_c, f)) for f in fluids]
            cold = (min(at_cold), max(at_cold))
    return WaterState(_state(percent, cold, limit), percent, warm_c, cold_c, cold, free, len(rows))


def _state(percent: float, cold: tuple[float, float], limit: float | None) -> str:
    if limit is not None and percent > limit:
        return NOT_MET
    if cold[0] >= 100:
        return FREE
    if limit is None:
        return NO_LIMIT
    if np.isnan(cold[0]) or cold[1] <= limit:
        return MET
    return WHEN_COLD if cold[0] > limit else OPEN
