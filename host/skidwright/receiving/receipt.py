"""A decision on a fluid in plain values, as the register keeps it."""

from __future__ import annotations

from typing import Any

import numpy as np

from skidwright.checks.limits import CheckLimits
from skidwright.receiving.decision import Decision, Terms
from skidwright.register.model import AssetRecord
from skidwright.samples.history import History
from skidwright.trade.code_text import format_code
from skidwright.trade.water import PUBLISHED, carry


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


def when_cold(decision: Decision, history: History, goal: AssetRecord) -> str:
    """What the water found means at the coldest of the machine it goes into; "" where that cannot be told."""
    rows = [
        row for row in decision.rows if np.isfinite(history.water_percent[row] + history.temperature_c[row])
    ]
    if goal.coldest_c is None or not rows:
        return ""
    fluids = [goal.solubility] if goal.solubility else list(PUBLISHED.values())
    water, warm = history.water_percent[rows], history.temperature_c[rows]
    cold = max(float(carry(water, warm, goal.coldest_c, fluid).rs_percent.max()) for fluid in fluids)
    said = "free water" if cold >= 100 else f"up to {cold:.0f} % of saturation"
    by = "the fluid's own constants" if goal.solubility else "constants published for mineral insulating oil"
    return f"at {goal.coldest_c:g} degC, the coldest of {goal.title}, its water would be {said} (by {by})"


def _place(history: History, row: int) -> tuple[str, str]:
    if not history.logs:
        return "", ""
    path = history.log_path(row)
    return path.parent.name, path.stem


def _rounded(value: Any) -> float | None:
    number = float(value)
    return float(f"{number:.5g}") if np.isfinite(number) else None
