"""Pictures of a tuning: the step test with its model, the answer of the loop, the verification."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from skidwright import drawing
from skidwright.arrays import Floats
from skidwright.tuning.identify import Model
from skidwright.tuning.observations import AT_A_MOMENT, DutyResponse, observe
from skidwright.tuning.proposal import Proposal
from skidwright.tuning.simc import Gains, Process
from skidwright.tuning.trace import Trace
from skidwright.whole_file import replacing


@dataclass(frozen=True)
class Answer:
    """Flow and duty after a step of the set-point, as differences; arrays (n,), s, uL/s and per mille."""

    time_s: Floats
    flow_ul_s: Floats
    duty_permille: Floats

    def overshoot(self, step_ul_s: float) -> float:
        """Highest flow beyond the step, over the step."""
        return max(0.0, float(self.flow_ul_s.max()) / step_ul_s - 1.0)

    def iae_ul(self, step_ul_s: float) -> float:
        """Integral of the absolute error, uL."""
        return float(np.abs(self.flow_ul_s - step_ul_s).sum() * (self.time_s[1] - self.time_s[0]))


def set_point_step(process: Process, gains: Gains, step_ul_s: float, span_s: float) -> Answer:
    """A step of the set-point at 0 s, seen for `span_s`. No limits of duty, its slew or the pump."""
    shortest = min(process.tau_s, gains.ti_s, process.dead_s if process.dead_s > 0.02 else process.tau_s)
    dt = min(span_s / 400, shortest / 20)
    n = min(int(span_s / dt) + 1, 20_000)
    dt = span_s / (n - 1)
    lag = max(round(process.dead_s / dt), 0)
    decay = math.exp(-dt / process.tau_s)
    flow, duty = np.zeros(n), np.zeros(n)
    x = integral = 0.0
    for k in range(n):
        error = step_ul_s - x
        duty[k] = gains.kc * error + integral
        integral += gains.kc * error * dt / gains.ti_s
        flow[k] = x
        target = process.gain * (duty[k - lag] if k >= lag else 0.0)
        x = target + (x - target) * decay
        if abs(x) > 50.0 * abs(step_ul_s):  # unstable: the picture needs no more of it
            flow[k + 1 :] = x
            break
    return Answer(np.arange(n, dtype=np.float64) * dt, flow, duty)


if TYPE_CHECKING:
    from matplotlib.figure import Figure

Band = tuple[float, float]
KINDS = ("svg", "png")


def save(made: Figure, path: Path) -> Path:
    """Write a figure as its file's ending says; the same figure gives the same bytes."""
    empty = {"Date": None, "Creator": None} if path.suffix == ".svg" else {"Software": None}
    path.parent.mkdir(parents=True, exist_ok=True)
    with replacing(path) as part:
        made.savefig(part, dpi=130, metadata=empty)
    return path


def step_test(trace: Trace, model: Model | None, band: Band | None = None) -> Figure:
    """Duty, and flow with what the model makes of that duty."""
    made, (top, low) = drawing.figure(4.6, 2, [1, 2.2])
    start = float(trace.time_s[0])
    time_s = trace.time_s - start
    top.step(time_s, trace.duty_permille / 10, where="post", color=drawing.BLACK)
    top.set_ylabel("duty, %")
    seen = observe(trace)
    if seen.kind == AT_A_MOMENT:
        label = "flow, as read"
        low.plot(seen.end_s - start, seen.flow_ul_s, ".", color=drawing.GREY, markersize=3, label=label)
    else:
        middle = (seen.start_s + seen.end_s) / 2 - start
        low.plot(middle, seen.flow_ul_s, ".", color=drawing.GREY, markersize=3,
                 label="mean flow between two edges of the meter")  # fmt: skip
    if model is not None:
        x, _ = DutyResponse(trace).at(trace.time_s - model.dead_s.value, model.tau_s.value)
        centre = (seen.start_s + seen.end_s).mean() / 2
        flow = model.flow0_ul_s + model.gain.value * x + model.drift_ul_s2 * (trace.time_s - centre)
        low.plot(time_s, flow, color=drawing.BLUE, label="model")
    draw_band(low, band)
    low.set_ylabel("flow, µL/s")
    low.set_xlabel("time, s")
    draw_legend(low)
    return made


def answer(proposal: Proposal) -> Figure:
    """Flow and duty after a step of the set-point, with present and proposed gains, from the model."""
    made, (top, low) = drawing.figure(4.6, 2, [1.6, 1])
    step_ul_s = 100.0
    span_s = 8.0 * (proposal.closed_loop_s + proposal.process.dead_s)
    if proposal.present is not None:
        was = set_point_step(proposal.process, proposal.present.gains, step_ul_s, span_s)
        top.plot(was.time_s, was.flow_ul_s, color=drawing.ORANGE, linestyle="--", label="present gains")
        low.plot(was.time_s, was.duty_permille / 10, color=drawing.ORANGE, linestyle="--")
    made_of = set_point_step(proposal.process, proposal.proposed.gains, step_ul_s, span_s)
    top.plot(made_of.time_s, made_of.flow_ul_s, color=drawing.BLUE, label="proposed gains")
    low.plot(made_of.time_s, made_of.duty_permille / 10, color=drawing.BLUE)
    top.axhline(step_ul_s, color=drawing.GREY, linewidth=0.7, linestyle=":")
    top.set_ylim(-10, max(160.0, min(float(made_of.flow_ul_s.max()) * 1.1, 250.0)))
    top.set_ylabel("flow, µL/s over the start")
    low.set_ylabel("duty, % over the start")
    low.set_xlabel("time after a set-point step of 100 µL/s, s")
    draw_legend(top)
    return made


def verification(trace: Trace, found: dict[str, Any], band: Band | None = None) -> Figure:
    """The set-point step on the skid with the new gains, and what the model had predicted."""
    made, (top, low) = drawing.figure(4.6, 2, [2.2, 1])
    start = float(trace.time_s[0])
    time_s = trace.time_s - start
    top.plot(
        time_s, trace.flow_ul_s, color=drawing.GREY, linewidth=0.9, label="flow, as the board estimates it"
    )
    top.plot(
        np.array(found["time_s"]) - start, found["predicted_ul_s"], color=drawing.BLUE, label="predicted"
    )
    top.step(np.array(found["set_time_s"]) - start, found["set_ul_s"], where="post", color=drawing.BLACK,
             linestyle=":", label="set-point")  # fmt: skip
    draw_band(top, band)
    top.set_ylabel("flow, µL/s")
    draw_legend(top)
    low.step(time_s, trace.duty_permille / 10, where="post", color=drawing.BLACK)
    low.set_ylabel("duty, %")
    low.set_xlabel("time, s")
    return made


def draw_legend(axis: Any) -> None:
    """Above the panel, where it hides nothing."""
    axis.legend(loc="lower right", bbox_to_anchor=(1, 0.97), ncols=3, frameon=False, fontsize=8)


def draw_band(axis: Any, band: Band | None) -> None:
    """The band of flow with its ends named; nothing without one."""
    if band is None:
        return
    axis.axhspan(*band, color=drawing.GREEN, alpha=0.10, zorder=0.4)
    for value, name, side in zip(band, ("bottom of the band", "top of the band"), (1, -1), strict=True):
        axis.axhline(value, color=drawing.GREEN, linestyle=(0, (5, 2.5)), linewidth=0.9)
        axis.annotate(name, (1, value), xycoords=("axes fraction", "data"), xytext=(-3, 2 * side),
                      textcoords="offset points", ha="right", va="bottom" if side > 0 else "top",
                      fontsize=8, color="#00604a")  # fmt: skip
