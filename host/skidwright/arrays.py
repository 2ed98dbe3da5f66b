"""Types of arrays that many modules share; their shapes stand with each function."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
