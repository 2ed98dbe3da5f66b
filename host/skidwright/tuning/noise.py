"""Noise that remembers: an autoregressive model of residuals, whitening with it, and Student's quantile."""

from __future__ import annotations

import numpy as np

from skidwright.tuning.trace import Floats

_ORDER_MAX = 6


def autoregression(residuals: Floats) -> Floats:
    """Coefficients a (p,) of r[k] = a[0] r[k-1] + ... + noise, p by Akaike's criterion (corrected), 0 to 6.

    Yule-Walker equations (Box and Jenkins, Time Series Analysis), which always give a stable model.
    """
    n = residuals.size
    best, best_score = np.zeros(0), n * np.log(max(float(residuals @ residuals) / n, 1e-300)) + 2.0
    for order in range(1, min(_ORDER_MAX, n // 12) + 1):
        cov = np.array([residuals[: n - k] @ residuals[k:] / n for k in range(order + 1)])
        if cov[0] <= 0:
            break
        matrix = cov[np.abs(np.subtract.outer(np.arange(order), np.arange(order)))]
        a = np.linalg.solve(matrix + np.eye(order) * 1e-12 * cov[0], cov[1:])
        left = max(float(cov[0] - a @ cov[1:]), 1e-300)
        score = n * np.log(left) + 2.0 * (order + 1) * n / max(n - order - 2, 1)
        if score < best_score - 2.0:
            best, best_score = a, score
    return best


def whiten(columns: Floats, coefficients: Floats) -> Floats:
    """Columns (n,) or (n, m) with what the past foretells taken away; the first rows stay as they are."""
    out = columns.copy()
    for lag, a in enumerate(coefficients, 1):
        out[lag:] -= a * columns[:-lag]
    return out
