"""What counting alone leaves open: the 95 % range of a concentration when so many particles were counted."""

import numpy as np
from numpy.typing import ArrayLike, NDArray

_Z = 1.959963984540054  # 97.5 % point of the normal distribution


def per_ml_range(counts: ArrayLike, volume_ml: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Lower and upper 95 % limits of particles per mL for whole `counts` in `volume_ml` (above 0).

    Byar's approximation to the exact Poisson limits: N. E. Breslow and N. E. Day, "Statistical Methods in
    Cancer Research II", IARC 1987, section 2.3; it is within 1 % of the exact limits from 10 counts up.
    """
    n = np.asarray(counts, dtype=np.float64)
    safe = np.maximum(n, 1)
    low = np.where(n > 0, safe * (1 - 1 / (9 * safe) - _Z / (3 * np.sqrt(safe))) ** 3, 0.0)
    high = (n + 1) * (1 - 1 / (9 * (n + 1)) + _Z / (3 * np.sqrt(n + 1))) ** 3
    return np.maximum(low, 0) / volume_ml, high / volume_ml
