"""A decision on a fluid in plain values, as the register keeps it."""

from __future__ import annotations

from typing import Any

import numpy as np

from skidwright.formulas.iso4406 import format_code
from skidwright.receiving.decision import Decision, Terms
from skidwright.samples import cold_water
from skidwright.samples.history import History
from skidwright.standing import plain_rows

_NAMED = {"seq": "sequence_number", "code": "iso4406_code"}


def record(decision: Decision, history: History, terms: Terms) -> dict[str, Any]:
    """All of a decision in plain values: terms, figures, reasons, and the records that it rests on."""
    samples = [
        {
            "device": _place(history, row)[0],
            "log": _place(history, row)[1],
            "seq": int(history.seq[row]),
            "utc": None if np.isnat(history.when[row]) else f"{history.when[row].astype('datetime64[s]')}Z",
            "counts": history.counts[row].tolist(),
            "volume_ml": round(float(history.volume_ml[row]), 4),
            "volume_uncertainty_percent": round(100 * float(history.volume_spread[row]), 6),
            "sensing_volume_ml": float(history.sensing_volume_ml[row]),
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
        "coldest_c": terms.coldest_c,
        "water_constants": constants(terms),
        "samples_needed": terms.samples,
        "confidence": terms.confidence,
        "one_fluid": decision.one_fluid,
        "channels": [
            {
                "size_um": c.size_um, "target": c.target, "limit_per_ml": c.limit_per_ml, "number": c.number,
                "per_ml": _rounded(c.per_ml), "low_per_ml": _rounded(c.low_per_ml),
                "high_per_ml": _rounded(c.high_per_ml), "state": c.state,
            }
            for c in decision.channels
        ],
        "quantities": [plain_rows.quantity_row(one) for one in decision.quantities],
        "samples": samples,
        "not_believed": decision.left_out,
        "reasons": list(decision.reasons),
    }  # fmt: skip


def row_of(content: dict[str, Any]) -> dict[str, Any]:
    """A record as a plain row for programs, its fields named as in every other answer."""
    samples = [{_NAMED.get(name, name): value for name, value in one.items()} for one in content["samples"]]
    return {_NAMED.get(name, name): value for name, value in content.items()} | {"samples": samples}


def when_cold(decision: Decision, history: History, terms: Terms) -> str:
    """What the water means at the coldest it gets, where no limit is asked; "" where it cannot be told."""
    rows = [
        row for row in decision.rows if np.isfinite(history.water_percent[row] + history.temperature_c[row])
    ]
    asked = terms.water_limit_percent is not None and terms.water_limit_percent < 100
    if terms.coldest_c is None or not rows or asked:
        return ""
    water, warm = history.water_percent[rows], history.temperature_c[rows]
    at = cold_water.at_coldest(water, warm, terms.coldest_c, terms.solubility)
    worst = int(np.argmax(at.high_percent))
    said = cold_water.saturation(float(at.low_percent[worst]), float(at.high_percent[worst]))
    place = cold_water.where(float(warm[worst]), float(at.at_c[worst]), terms.coldest_c)
    return f"{place}, its water would be {said} (by {constants(terms)})"


def constants(terms: Terms) -> str:
    """By what a saturation is carried to another temperature, in words."""
    if terms.solubility:
        return "the fluid's own constants"
    return "constants published for mineral insulating oil"


def _place(history: History, row: int) -> tuple[str, str]:
    if not history.logs:
        return "", ""
    path = history.log_path(row)
    return path.parent.name, path.stem


def _rounded(value: Any) -> float | None:
    number = float(value)
    return float(f"{number:.5g}") if np.isfinite(number) else None
