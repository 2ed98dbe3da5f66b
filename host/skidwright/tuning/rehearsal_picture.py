"""Pictures of a rehearsal: the whole run, and a few seconds about each change."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skidwright import drawing
from skidwright.tuning.picture import Band, draw_band, draw_legend
from skidwright.tuning.rehearsal import EVENTS, Run

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_COLUMNS = 900


def rehearsal(run: Run, band: Band) -> Figure:
    """The whole run: viscosity, flow from lowest to highest in every few seconds, duty."""
    made, (top, middle, low) = drawing.figure(5.6, 3, [1, 2, 1.2])
    n = int(-(-run.time_s.size // _COLUMNS))
    whole = run.time_s.size // n * n
    minutes = run.time_s[:whole].reshape(-1, n).mean(axis=1) / 60
    top.semilogy(minutes, run.viscosity_mm2_s[:whole:n], color=drawing.ORANGE)
    top.set_ylabel("viscosity, mm²/s")
    flow = run.flow_ul_s[:whole].reshape(-1, n)
    middle.fill_between(minutes, flow.min(axis=1), flow.max(axis=1), color=drawing.BLUE, linewidth=0,
                        label=f"true flow, lowest to highest in {n / 10:g} s")  # fmt: skip
    middle.step(
        run.time_s / 60, run.set_ul_s, where="pre", color=drawing.BLACK, linestyle=":", label="set-point"
    )
    draw_band(middle, band)
    middle.set_ylim(band[0] - 0.7 * (band[1] - band[0]), band[1] + 0.5 * (band[1] - band[0]))
    middle.set_ylabel("flow, µL/s")
    draw_legend(middle)
    low.plot(minutes, run.duty_permille[:whole:n] / 10, color=drawing.BLACK)
    for at_s, name in EVENTS:
        low.axvline(at_s / 60, color=drawing.GREY, linewidth=0.7, linestyle=":")
        low.annotate(name, (at_s / 60, 0), xycoords=("data", "axes fraction"), xytext=(2, 3),
                     textcoords="offset points", va="bottom", fontsize=7.5, color=drawing.GREY)  # fmt: skip
    low.set_ylabel("duty, %")
    low.set_ylim(0, None)
    low.set_xlabel("time, min")
    return made


def changes(run: Run, band: Band) -> Figure:
    """A few seconds about each change in the run, one panel each: flow above, duty below."""
    made, (top, low) = drawing.figure(4.2, 2, [2, 1])
    made.clear()
    axes = made.subplots(2, len(EVENTS), sharex="col", sharey="row", height_ratios=[2, 1],
                         gridspec_kw={"left": 0.1, "right": 0.99, "top": 0.92, "bottom": 0.11, "wspace": 0.08,
                                      "hspace": 0.1})  # fmt: skip
    for (at_s, name), (above, below) in zip(EVENTS, axes.T, strict=True):
        near = (run.time_s > at_s - 2) & (run.time_s < at_s + 10)
        time_s = run.time_s[near] - at_s
        above.plot(time_s, run.flow_ul_s[near], color=drawing.BLUE, label="true flow")
        above.step(time_s, run.estimate_ul_s[near], where="post", color=drawing.ORANGE, linewidth=0.8,
                   label="estimate")  # fmt: skip
        above.step(
            time_s, run.set_ul_s[near], where="pre", color=drawing.BLACK, linestyle=":", label="set-point"
        )
        for value in band:
            above.axhline(value, color=drawing.GREEN, linestyle=(0, (5, 2.5)), linewidth=0.9)
        above.axhspan(*band, color=drawing.GREEN, alpha=0.10, zorder=0.4)
        above.set_title(name)
        below.step(time_s, run.duty_permille[near] / 10, where="post", color=drawing.BLACK)
        below.set_xlabel("time after it, s")
    axes[0, 0].set_ylabel("flow, µL/s")
    axes[0, 0].set_ylim(1.5 * band[0] - 0.5 * band[1], 1.2 * band[1] - 0.2 * band[0])
    axes[1, 0].set_ylabel("duty, %")
    axes[0, 0].legend(loc="lower right", frameon=False, fontsize=7.5)
    return made
