"""NAS 1638 classes, for those who still ask: from counts, and said to be what they are.

Source: NAS 1638 (1964), maximum particles per 100 mL in 5-15, 15-25, 25-50,
50-100 and over 100 um, classes 00 to 12. The standard is inactive for new
designs since 2001 and says of itself that it should not be used with automatic
particle counting; its sizes are those of a microscope or of the old
calibration. AS4059 keeps its limits for 6-14, 14-21, 21-38, 38-70 and over 70
um(c), the sizes of today's calibration that correspond; they are what is counted here.
"""

from collections.abc import Sequence
from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.trade.as4059 import (
    DIFFERENTIAL_NAMES,
    DIFFERENTIAL_PER_100_ML,
    Classes,
    class_numbers,
    of_ranges,
    ranges,
)

RANGES = ("5-15", "15-25", "25-50", "50-100", ">100")
# AS4059 took over classes and limits unchanged.
NAMES = DIFFERENTIAL_NAMES
PER_100_ML = DIFFERENTIAL_PER_100_ML


def classes(per_ml: ArrayLike) -> NDArray[np.int64]:
    """Index into NAMES, the highest of the ranges, for cumulative concentrations per mL.

    The last axis goes over >6, >14, >21 um(c) and so on; rules and errors as in
    `as4059.differential_classes`.
    """
    return np.asarray(np.max(class_numbers(ranges(per_ml), PER_100_ML), axis=-1))


def classify(per_ml: Sequence[Fraction | None]) -> Classes:
    """The class of one sample from cumulative concentrations at >4, >6, >14, >21, >38, >70 um(c).

    Rules and errors as in `as4059.differential`.
    """
    return of_ranges(per_ml, PER_100_ML, RANGES, NAMES)
