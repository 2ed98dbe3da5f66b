"""What a report says of the flow controller's tuning: model, gains, margins, verdict and a picture.

Everything comes from the file that `skidwright tune` has kept; nothing is fitted again.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skidwright import drawing
from skidwright.errors import TraceError
from skidwright.tuning import tuning_file
from skidwright.tuning.observations import DutyResponse, observe
from skidwright.tuning.simc import GAIN, INTEGRAL

if TYPE_CHECKING:
    from skidwright.samples.history import History

_MODEL = (
    ("gain", "gain_ul_s_per_permille", "µL/s per ‰", 3),
    ("time constant", "time_constant_s", "s", 2),
    ("dead time", "dead_time_s", "s", 2),
)
_MARGINS = (("gain margin", "gain_margin", 2), ("phase margin", "phase_margin_deg", 0))


@dataclass(frozen=True)
class TuningSection:
    """The section as texts, ready for the page. `rows` are (name, one text a tuning)."""

    summary: str
    source: str
    model: list[tuple[str, str, str]]
    heads: tuple[str, ...]
    rows: list[tuple[str, ...]]
    statements: list[str]
    picture: str


def find(places: Iterable[Path], device: str) -> Path | None:
    """The newest tuning of the board `device` (16 hex digits) in the folders tuning*/ of some places."""
    newest: tuple[str, Path] | None = None
    for path in {path.resolve() for place in places for path in place.glob(f"tuning*/{tuning_file.NAME}")}:
        try:
            content = tuning_file.load(path)
        except (TraceError, OSError):
            continue
        made, board = str(content.get("made_utc", "")), content.get("board")
        if isinstance(board, dict) and board.get("device") == device and (not newest or made > newest[0]):
            newest = made, path
    return newest[1] if newest else None


def section(path: Path, samples: History) -> TuningSection:
    """The section of the tuning in `path`, for a page about `samples`.

    Raises TraceError when the file is not what `skidwright tune` writes, OSError when it cannot be read.
    """
    content = tuning_file.load(path)
    try:
        return _section(content, samples)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, AssertionError):
        raise TraceError(
            "a part of it is missing or makes no sense", str(path), "tune again: `skidwright tune PORT`"
        ) from None


def _section(content: dict[str, Any], samples: History) -> TuningSection:
    board, model = content["board"], content["model"]
    verdict = content["verdict"]
    statements = [str(text) for text in verdict["statements"]]
    if content["verification"]:
        statements.append(_verified(content["verification"]))
    if model is None:
        summary = "No gains could be proposed."
    elif not verdict["acceptable"]:
        summary = "Gains were found but are not robust."
    elif content["written"]:
        found = content["verification"]
        good = "not verified" if not found else "verified" if found["good"] else "not confirmed by the test"
        summary = f"Robust gains were found and written to the board; {good}."
    else:
        summary = "Robust gains were proposed and not written."
    statements += _in_force(content, samples)
    source = (
        f"board {board['device']}" if board else f"trace {content['trace']['source'] or 'of another rig'}"
    )
    named = (("before", content["present"]), ("proposed", content["proposed"]))
    tunings = [(name, table) for name, table in named if table]
    return TuningSection(
        summary,
        f"{content['made_utc']}, {source}, {len(content['trace']['time_s'])} rows of trace",
        [_estimate(model, *line) for line in _MODEL] if model else [],
        tuple(name for name, _ in tunings),
        _rows([table for _, table in tunings]) if tunings else [],
        statements,
        _picture(content),
    )


def _estimate(model: Mapping[str, Any], name: str, key: str, unit: str, digits: int) -> tuple[str, str, str]:
    found = model[key]
    value, low, high = (float(found[part]) for part in ("value", "low", "high"))
    return name, f"{value:.{digits}f} {unit}", f"{max(low, 0.0):.{digits}f} to {high:.{digits}f}"


def _rows(tunings: list[Mapping[str, Any]]) -> list[tuple[str, ...]]:
    """Settings, margins and peak sensitivities, one column a tuning."""
    rows: list[tuple[str, ...]] = [
        (name, *(str(int(t["settings"][name])) for t in tunings)) for name in (GAIN, INTEGRAL)
    ]
    for name, key, digits in _MARGINS:
        rows.append((name, *(_number(t["margins"][key], digits) for t in tunings)))
    rows[-1] = (rows[-1][0], *(text if text == "none" else f"{text}°" for text in rows[-1][1:]))
    peak = [_number(t["margins"]["peak_sensitivity"], 2) for t in tunings]
    worst = [_number(t["peak_sensitivity_worst"], 2) for t in tunings]
    rows.append(("peak sensitivity", *peak))
    rows.append(("the same, worst in the intervals", *worst))
    return rows


def _number(value: float | None, digits: int) -> str:
    return "none" if value is None else f"{value:.{digits}f}"


def _verified(found: Mapping[str, Any]) -> str:
    word = "as predicted" if found["good"] else "not as predicted"
    return (
        f"Set-point steps on the skid went {word}: overshoot {found['overshoot']:.0%} "
        f"({found['overshoot_predicted']:.0%} predicted), in the band {found['in_band']:.1%} of the time."
    )


def _in_force(content: Mapping[str, Any], samples: History) -> list[str]:
    """Whether the newest sample was taken with these gains, on this board; nothing where it is not known."""
    said = []
    device = (content["board"] or {}).get("device")
    log = samples.logs[-1]
    if device != log.path.parent.name:
        said.append(f"The newest sample is from another board, {log.path.parent.name}.")
    proposed = content["proposed"]
    values = log.settings.of(int(samples.settings_crc[-1])) if len(samples.seq) else None
    if proposed and values:
        same = all(values[name] == proposed["settings"][name] for name in (GAIN, INTEGRAL))
        now = f"{GAIN} = {values[GAIN]}, {INTEGRAL} = {values[INTEGRAL]}"
        said.append(
            "The newest sample was taken with the proposed gains."
            if same
            else f"The newest sample was taken with other gains: {now}."
        )
    return said


def _picture(content: dict[str, Any]) -> str:
    """The step test as SVG: duty, and flow with what the model makes of that duty."""
    trace, model = tuning_file.trace_of(content), content["model"]
    made, (top, low) = drawing.figure(3.2, 2, [1, 2])
    start = float(trace.time_s[0])
    top.step(trace.time_s - start, trace.duty_permille / 10, where="post", color=drawing.BLACK)
    top.set_ylabel("duty, %")
    seen = observe(trace)
    middle = (seen.start_s + seen.end_s) / 2
    low.plot(middle - start, seen.flow_ul_s, ".", color=drawing.GREY, markersize=2.5)
    if model is not None:
        tau_s, dead_s, gain = (
            float(model[key]["value"]) for key in ("time_constant_s", "dead_time_s", "gain_ul_s_per_permille")
        )
        drift = float(model["drift_ul_s2"])
        response = DutyResponse(trace)
        # The level belongs to no margin and is not kept: here it is the mean of what is left over.
        at, _ = response.at(middle - dead_s, tau_s)
        level = float(np.mean(seen.flow_ul_s - gain * at - drift * (middle - start)))
        x, _ = response.at(trace.time_s - dead_s, tau_s)
        flow = level + gain * x + drift * (trace.time_s - start)
        low.plot(trace.time_s - start, flow, color=drawing.BLUE)
    low.set_ylabel("flow, µL/s")
    low.set_xlabel("time, s")
    return drawing.to_svg(made, "tuning", "Step test: duty above, measured flow and the model below")
