"""4-20 mA loops on the host: what a current says about its loop, and the reading with its uncertainty.

NAMUR NE 43: 3.8 to 20.5 mA carries a measurement; 3.6 mA and less or 21.0 mA and more
is a failure (broken wire, short circuit, sensor fault); between is uncertain:
the sensor has left its range or is about to fail.

Uncertainty after JCGM 100 (GUM), 4.3.7: what is only known to lie within
limits has a standard uncertainty of half the width over the square root of 3.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats

OK = 0
UNCERTAIN = 1
FAILED = 2
STATE_NAMES = ("ok", "uncertain", "failed")

ZERO_UA = 4000.0
SPAN_UA = 16000.0


class LoopReading(NamedTuple):
    """A loop's value in its unit, its standard uncertainty (one sigma), and its state (OK to FAILED)."""

    value: Floats
    uncertainty: Floats
    state: NDArray[np.int64]


def states(loop_ua: ArrayLike) -> NDArray[np.int64]:
    """OK, UNCERTAIN or FAILED for currents in microamps, any shape; NaN is FAILED."""
    current = np.asarray(loop_ua, dtype=np.float64)
    carries = (current >= 3800) & (current <= 20500)
    uncertain = (current > 3600) & (current < 21000)
    return np.where(carries, OK, np.where(uncertain, UNCERTAIN, FAILED))


def converter_step_ua(bits: int, full_scale_ua: float) -> float:
    """One step of a converter in microamps of loop current; `full_scale_ua` is what all its codes span.

    ValueError for no bits or a full scale not above 0.
    """
    if bits < 1 or full_scale_ua <= 0:
        raise ValueError("a converter needs at least one bit and a full scale above 0")
    return full_scale_ua / float(1 << bits)


def reading(
    loop_ua: ArrayLike,
    low: float,
    high: float,
    resolution_ua: float = 0.0,
    error_ua: float = 0.0,
    scatter_ua: ArrayLike = 0.0,
) -> LoopReading:
    """The value that a current means, when 4 mA is `low` and 20 mA is `high`.

    `resolution_ua` is one step of the converter, `error_ua` the limit (plus or minus) of the error of
    converter and burden resistor, `scatter_ua` a standard uncertainty seen in the readings themselves; they
    add as variances. The value is NaN where the loop failed. ValueError when `low` equals `high` or an
    uncertainty is negative.
    """
    if low == high:
        raise ValueError("the values meant by 4 and by 20 mA must differ")
    scatter = np.asarray(scatter_ua, dtype=np.float64)
    if resolution_ua < 0 or error_ua < 0 or np.any(scatter < 0):
        raise ValueError("an uncertainty cannot be negative")
    current = np.asarray(loop_ua, dtype=np.float64)
    state = states(current)
    per_ua = (high - low) / SPAN_UA
    value = np.where(state == FAILED, np.nan, low + (current - ZERO_UA) * per_ua)
    variance = resolution_ua**2 / 12 + error_ua**2 / 3 + scatter**2
    spread = np.sqrt(np.broadcast_to(variance, value.shape)) * abs(per_ua)
    return LoopReading(value, np.where(state == FAILED, np.nan, spread), state)
