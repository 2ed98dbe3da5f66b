"""The trace of a step test: duty and flow over time, as CSV and in memory."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from skidwright.arrays import Floats
from skidwright.errors import TraceError

ROWS_MIN = 20
ROWS_MAX = 200_000
_SETTLED_ROWS = 10
# Column name -> what its numbers are multiplied with.
TIME_COLUMNS = {"time_s": 1.0, "time_ms": 1e-3, "time_min": 60.0}
DUTY_COLUMNS = {"duty_permille": 1.0, "duty_percent": 10.0, "duty": 1000.0}
FLOW_COLUMNS = {
    "flow_ul_s": 1.0,
    "flow_ml_s": 1e3,
    "flow_ml_min": 1e3 / 60.0,
    "flow_l_min": 1e6 / 60.0,
    "flow_l_h": 1e6 / 3600.0,
}
# Optional, both or neither: the meter's running total at its latest edge, and when that edge was.
VOLUME_COLUMNS = {"volume_ul": 1.0, "volume_ml": 1e3}
EDGE_COLUMNS = {"edge_s": 1.0, "edge_ms": 1e-3}
_HOW = "see docs/tuning.md for the columns of a trace"


@dataclass(frozen=True)
class Trace:
    """Rows of a step test, all arrays of shape (n,).

    `duty_permille[k]` holds from `time_s[k]` to the next row. `flow_ul_s` is what the meter or its estimator
    read. `edge_s` and `volume_ul`, when there are any, tell the meter's latest edge and its running total
    then (uL); NaN before the first edge.
    """

    time_s: Floats
    duty_permille: Floats
    flow_ul_s: Floats
    edge_s: Floats | None = None
    volume_ul: Floats | None = None
    source: str = ""
    notes: tuple[str, ...] = field(default=())

    @property
    def span_s(self) -> float:
        """Time from first row to last."""
        return float(self.time_s[-1] - self.time_s[0])

    @property
    def row_s(self) -> float:
        """Median time from row to row."""
        return float(np.median(np.diff(self.time_s)))


def read(path: Path | str) -> Trace:
    """The trace in a CSV file, checked.

    A header names the columns and their units (`TIME_COLUMNS`, ...); lines that begin with # are remarks;
    comma, semicolon or tab part the columns, and with semicolon or tab the decimal mark may be a comma.
    Raises TraceError for a file that is something else, OSError when it cannot be read.
    """
    path = Path(path)
    with path.open("rb") as f:
        raw = f.read(64 << 20)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise TraceError("not a text file", str(path), _HOW) from None
    return parse(text, str(path))


def parse(text: str, where: str = "trace") -> Trace:
    """A trace out of CSV text; see `read`."""
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and line[0] != "#"]
    notes = tuple(line[1:].strip() for line in text.splitlines() if line.startswith("#"))
    if not lines:
        raise TraceError("the file is empty", where, _HOW)
    mark = next((m for m in ";\t," if m in lines[0][1]), ",")
    names = [name.strip().lower() for name in next(csv.reader([lines[0][1]], delimiter=mark))]
    columns = _columns(names, where)
    if not ROWS_MIN <= len(lines) - 1 <= ROWS_MAX:
        what = f"{len(lines) - 1} rows of numbers; a step test has {ROWS_MIN} to {ROWS_MAX}"
        raise TraceError(what, where, "record a longer or a coarser trace")
    table = np.empty((len(lines) - 1, len(columns)))
    for row, (n, line) in enumerate(lines[1:]):
        cells = next(csv.reader([line], delimiter=mark))
        if len(cells) != len(names):
            raise TraceError(f"line {n} has {len(cells)} cells, the header {len(names)}", where, _HOW)
        for j, (i, factor) in enumerate(columns.values()):
            table[row, j] = _number(cells[i], mark, factor, f"line {n}, {names[i]}", where)
    found = dict(zip(columns, table.T, strict=True))
    trace = Trace(
        found["time"], found["duty"], found["flow"], found.get("edge"), found.get("volume"), where, notes
    )
    _check(trace, where, [n for n, _ in lines[1:]])
    return trace


def _columns(names: list[str], where: str) -> dict[str, tuple[int, float]]:
    """Which column is what: kind -> (place, factor)."""
    kinds = {
        "time": TIME_COLUMNS,
        "duty": DUTY_COLUMNS,
        "flow": FLOW_COLUMNS,
        "volume": VOLUME_COLUMNS,
        "edge": EDGE_COLUMNS,
    }
    found: dict[str, tuple[int, float]] = {}
    for kind, known in kinds.items():
        there = [i for i, name in enumerate(names) if name in known]
        if len(there) > 1:
            raise TraceError(f"two columns for {kind}: {names[there[0]]}, {names[there[1]]}", where, _HOW)
        if there:
            found[kind] = (there[0], known[names[there[0]]])
        elif kind in ("time", "duty", "flow"):
            raise TraceError(f"no column for {kind}: name one of {', '.join(known)}", where, _HOW)
    if ("volume" in found) != ("edge" in found):
        raise TraceError("a running volume needs the time of its edge beside it, and an edge its volume",
                         where, _HOW)  # fmt: skip
    return found


def _number(cell: str, mark: str, factor: float, which: str, where: str) -> float:
    cell = cell.strip()
    if not cell and ("edge" in which or "volume" in which):
        return float("nan")
    try:
        return float(cell.replace(",", ".") if mark != "," else cell) * factor
    except ValueError:
        raise TraceError(f"{which}: {cell[:30]!r} is no number", where, _HOW) from None


def _check(trace: Trace, where: str, line_of: list[int]) -> None:
    """TraceError for a trace that no step test can have given. `line_of`: each row's line in the file."""
    for name in ("time_s", "duty_permille", "flow_ul_s"):
        bad = np.flatnonzero(~np.isfinite(getattr(trace, name)))
        if bad.size:
            raise TraceError(f"line {line_of[bad[0]]}: {name} is missing or no number", where, _HOW)
    back = np.flatnonzero(np.diff(trace.time_s) <= 0)
    if back.size:
        before, after = trace.time_s[back[0] : back[0] + 2]
        what = f"the times run backwards, from {before:g} to {after:g} s"
        if before == after:
            what = f"time stands still at {after:g} s"
        raise TraceError(f"line {line_of[back[0] + 1]}: {what}", where, "put the rows in order of time")
    duty = trace.duty_permille
    if duty.min() < 0 or duty.max() > 1000:
        what = f"duty from {duty.min():g} to {duty.max():g} per mille"
        raise TraceError(what, where, "duty is 0 to 1000 per mille; check the column's unit")
    if trace.flow_ul_s.min() < 0:
        raise TraceError("flow below zero", where, "check the sign of the flow column")
    if trace.volume_ul is not None and trace.edge_s is not None:
        known = np.isfinite(trace.volume_ul) & np.isfinite(trace.edge_s)
        if (np.diff(trace.volume_ul[known]) < 0).any() or (np.diff(trace.edge_s[known]) < 0).any():
            raise TraceError("the running volume or its edge goes back", where, "leave out rows of a restart")


def from_flow_on(trace: Trace) -> Trace:
    """A trace that begins with the pump at rest, without that beginning: flow has to have settled.

    Left out is all until half-way from the first flow to the next change of duty; a note says so. A trace
    that begins in flow, or never has any, stays as it is.
    """
    flow = trace.flow_ul_s
    flows = np.flatnonzero(flow > 0.05 * np.median(flow[flow > 0])) if (flow > 0).any() else np.zeros(0, int)
    if not flows.size or flows[0] == 0:
        return trace
    later = np.flatnonzero(np.diff(trace.duty_permille) != 0) + 1
    later = later[later > flows[0] + _SETTLED_ROWS]
    if not later.size:
        return trace
    kept = slice((int(flows[0]) + int(later[0])) // 2, None)
    start_s = float(trace.time_s[kept][0])
    note = f"left out: the first {start_s - trace.time_s[0]:.1f} s, in which flow began"
    return replace(
        trace,
        time_s=trace.time_s[kept],
        duty_permille=trace.duty_permille[kept],
        flow_ul_s=flow[kept],
        edge_s=None if trace.edge_s is None else trace.edge_s[kept],
        volume_ul=None if trace.volume_ul is None else trace.volume_ul[kept],
        notes=(*trace.notes, note),
    )


def write(trace: Trace, path: Path) -> None:
    """Write a trace as CSV that `read` takes."""
    path.write_text(to_csv(trace), "utf-8")


def to_csv(trace: Trace) -> str:
    """A trace as CSV text."""
    out = io.StringIO()
    for note in trace.notes:
        out.write(f"# {note}\n")
    names = ["time_s", "duty_permille", "flow_ul_s"]
    columns = [trace.time_s, trace.duty_permille, trace.flow_ul_s]
    if trace.edge_s is not None and trace.volume_ul is not None:
        names += ["edge_s", "volume_ul"]
        columns += [trace.edge_s, trace.volume_ul]
    out.write(",".join(names) + "\n")
    for row in zip(*columns, strict=True):
        out.write(",".join("" if np.isnan(v) else f"{v:.10g}" for v in row) + "\n")
    return out.getvalue()
