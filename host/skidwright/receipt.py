"""A decision on a fluid in plain values, as the register keeps it."""

from __future__ import annotations

from typing import Any

import numpy as np

from skidwright.checks.limits import CheckLimits
from skidwright.config import format_code
from skidwright.history import History
from skidwright.receiving import Decision, Terms


def record(decision: Decision, history: History, terms: Terms, limits: CheckLimits) -> dict[str, Any]:
    """All of a decision in plain values: terms, figures, reasons, and the records that it rests on."""
    samples = [
        {
            "device": _place(history, row)[0],
            "log": _place(history, row)[1],
            "seq": int(history.seq[row]),
            "utc": None if np.isnat(history.when[row]) else f"{history.when[row].astype('datetime64[s]')}Z",
            "counts": history.counts[row].tolist(),
            "volume_ml": round(float(history.volume_ml[row]), 4),
            "water_percent": _rounded(history.water_percent[row]),
        }
        for row in decision.rows
    ]
    return {
        "outcome": decision.outcome,
        "code": decision.code or None,
        "target": format_code(terms.target),
        "target_21um": terms.target_21um,
        "water_limit_percent": terms.water_limit_percent,
        "samples_needed": terms.samples,
        "confidence": terms.confidence,
        "volume_uncertainty_percent": limits.volume_uncertainty_percent,
        "sensing_volume_ml": limits.sensing_volume_ml,
        "one_fluid": decision.one_fluid,
        "channels": [
            {
                "size_um": c.size_um, "target": c.target, "limit_per_ml": c.limit_per_ml, "number": c.number,
                "per_ml": _rounded(c.per_ml), "low_per_ml": _rounded(c.low_per_ml),
                "high_per_ml": _rounded(c.high_per_ml), "state": c.state,
            }
            for c in decision.channels
        ],
        "samples": samples,
        "not_believed": decision.left_out,
        "reasons": list(decision.reasons),
    }  # fmt: skip


def _place(history: History, row: int) -> tuple[str, str]:
    if not history.logs:
        return "", ""
    path = history.log_path(row)
    return path.parent.name, path.stem


def _rounded(value: Any) -> float | None:
    number = float(value)
    return float(f"{number:.5g}") if np.isfinite(number) else None
