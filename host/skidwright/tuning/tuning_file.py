"""The file of one tuning: trace, model, gains, margins, verdict, and the verification if there was one.

JSON, format 1. Everything in it can be computed again from the trace it holds.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from skidwright import __version__
from skidwright.arrays import Floats
from skidwright.errors import TraceError
from skidwright.tuning.proposal import Proposal, Tuning
from skidwright.tuning.simc import GAIN, INTEGRAL, feedforward
from skidwright.tuning.trace import Trace
from skidwright.whole_file import read_at_most, write_whole

KIND = "skidwright tuning"
FORMAT = 1
NAME = "tuning.json"
_MAX_BYTES = 64 << 20


def document(
    trace: Trace,
    proposal: Proposal | None,
    made_utc: str,
    refusal: str = "",
    board: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """The file's content. Without a proposal `refusal` says why there is none.

    `board`, for a test on a skid: device, firmware, settings before the test.
    """
    return {
        "kind": KIND,
        "format": FORMAT,
        "skidwright": __version__,
        "made_utc": made_utc,
        "board": board,
        "trace": _trace_table(trace),
        "model": _model_table(proposal) if proposal else None,
        "closed_loop_s": proposal.closed_loop_s if proposal else None,
        "present": tuning_table(proposal.present) if proposal and proposal.present else None,
        "proposed": tuning_table(proposal.proposed) if proposal else None,
        "feedforward": feedforward(proposal.model) if proposal else None,
        "verdict": {
            "acceptable": bool(proposal and proposal.acceptable),
            "statements": list(proposal.statements) if proposal else [refusal],
        },
        "written": False,
        "verification": None,
    }


def _trace_table(trace: Trace) -> dict[str, Any]:
    table: dict[str, Any] = {"source": trace.source, "notes": list(trace.notes)}
    for name in ("time_s", "duty_permille", "flow_ul_s", "edge_s", "volume_ul"):
        table[name] = _list(getattr(trace, name))
    return table


def _list(column: Floats | None) -> list[float | None] | None:
    if column is None:
        return None
    return [None if math.isnan(v) else round(v, 6) for v in column.tolist()]


def _model_table(proposal: Proposal) -> dict[str, Any]:
    model = proposal.model
    interval = {
        name: {"value": e.value, "low": e.low, "high": e.high}
        for name, e in (
            ("gain_ul_s_per_permille", model.gain),
            ("time_constant_s", model.tau_s),
            ("dead_time_s", model.dead_s),
        )
    }
    return {
        **interval,
        "loop_dead_time_s": proposal.process.dead_s,
        "noise_ul_s": model.noise_ul_s,
        "drift_ul_s2": model.drift_ul_s2,
        "observations": model.observations,
        "flow_is": model.kind,
        "pulse_ul": model.pulse_ul,
        "duty_permille": [model.duty_low_permille, model.duty_high_permille],
    }


def tuning_table(tuning: Tuning) -> dict[str, Any]:
    """Settings, gains and margins as plain values; None for an infinite peak sensitivity."""
    margins = {name: (v if math.isfinite(v) else None) for name, v in asdict(tuning.margins).items()}
    return {
        "settings": tuning.settings,
        "kc_permille_per_ul_s": tuning.gains.kc,
        "integral_s": tuning.gains.ti_s,
        "margins": {**margins, "stable": tuning.margins.stable},
        "peak_sensitivity_worst": tuning.ms_worst if math.isfinite(tuning.ms_worst) else None,
        "duty_noise_permille": tuning.duty_noise_permille,
    }


def save(content: dict[str, Any], folder: Path) -> Path:
    """Write the file into a folder, which is made; its path. An older file of that name is replaced whole."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / NAME
    write_whole(path, (json.dumps(content, ensure_ascii=False, allow_nan=False) + "\n").encode())
    return path


def load(path: Path) -> dict[str, Any]:
    """The content of such a file. Raises TraceError for any other, OSError when it cannot be read."""
    try:
        content = json.loads(read_at_most(path, _MAX_BYTES))
    except (ValueError, RecursionError):
        raise TraceError("not JSON", str(path), "give the tuning.json that `skidwright tune` wrote") from None
    if not isinstance(content, dict) or content.get("kind") != KIND:
        raise TraceError("not the file of a tuning", str(path), "give the tuning.json of `skidwright tune`")
    if content.get("format") != FORMAT:
        raise TraceError(f"format {content.get('format')}, this version reads {FORMAT}", str(path),
                         "update skidwright")  # fmt: skip
    return content


def trace_of(content: dict[str, Any]) -> Trace:
    """The trace in a file's content."""
    table = content["trace"]

    def column(name: str) -> Floats | None:
        return None if table[name] is None else np.array(table[name], dtype=float)

    time_s, duty, flow = column("time_s"), column("duty_permille"), column("flow_ul_s")
    assert time_s is not None and duty is not None and flow is not None
    return Trace(
        time_s, duty, flow, column("edge_s"), column("volume_ul"), table["source"], tuple(table["notes"])
    )


def noted_gains(trace: Trace) -> dict[str, int] | None:
    """The gains in force during the test, from the remarks in a trace that this command wrote."""
    found = dict(note.split(" = ", 1) for note in trace.notes if " = " in note)
    try:
        return {name: int(found[name]) for name in (GAIN, INTEGRAL)}
    except (KeyError, ValueError):
        return None
