"""The firmware's own control step on the virtual skid's plant, through everything that disturbs flow.

An hour: a cold start at 1000 mm2/s that warms to 5, set-point changes, a supply pressure that comes and
goes, a valve half closed, meter and pump unsteady all along. No port and no log: only measure, decide, drive.
Seeded; the hour takes a few seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from skidboard import settings as board_settings
from skidboard.process import Process

from skidwright import drawing
from skidwright.arrays import Floats
from skidwright.sim.plant import Plant
from skidwright.sim.scenario import from_table
from skidwright.tuning.picture import Band, draw_band, draw_legend
from skidwright.tuning.trace import Trace

TICK_US = 100_000
MASK = (1 << 30) - 1
DURATION_S = 3600.0
# When flow has had time to settle after the start, counting could begin.
COUNTING_FROM_S = 30.0
SET_POINTS = ((0.0, 833), (900.0, 750), (1200.0, 900), (1500.0, 833))
# Kind of fault of the virtual skid, start, end, amount.
DISTURBANCES = (("supply_pressure", 1800.0, 2100.0, 150.0), ("blocked_line", 2700.0, -1.0, 0.5))
EVENTS = (
    (1200.0, "new set-point"),
    (1800.0, "supply pressure"),
    (2700.0, "valve half closed"),
)
# ISO VG 32 by its viscosities at 40 and 100 degC: 1000 mm2/s at -12.2 degC, 5 at 103.8 degC (ASTM D341).
_V40, _V100 = 32.0, 5.4
_COLD_C, _HOT_C, _WARM_UP_S = -12.2, 103.8, 2400.0
_SCATTER, _PULSE_UL = 0.01, 200.0

# Given tick, flow as estimated (uL/s), whether it is measured, set-point: a duty in per mille.
Driver = Callable[[int, int, bool, int], float]


@dataclass(frozen=True)
class RehearsedRun:
    """One run, arrays (n,), one a tick: s, uL/s, per mille. `flow_ul_s` is the truth, mean over the tick."""

    time_s: Floats
    set_ul_s: Floats
    flow_ul_s: Floats
    estimate_ul_s: Floats
    duty_permille: Floats
    viscosity_mm2_s: Floats
    state: Floats

    def counting(self) -> Any:
        """Ticks in which a count could run: mask (n,)."""
        return self.time_s >= COUNTING_FROM_S

    def in_band(self, low_ul_s: float, high_ul_s: float) -> float:
        """Share of counting time with true flow in its band."""
        flow = self.flow_ul_s[self.counting()]
        return float(np.mean((flow >= low_ul_s) & (flow <= high_ul_s)))

    def iae_ul(self, of: Any | None = None) -> float:
        """Integral of the absolute error of true flow over counting time, or over a mask (n,); uL."""
        chosen = self.counting() if of is None else of
        return float(np.abs(self.flow_ul_s - self.set_ul_s)[chosen].sum() * TICK_US * 1e-6)

    def above(self, high_ul_s: float) -> float:
        """How far true flow goes beyond the top of the band in counting time, uL/s; 0 when it does not."""
        return max(0.0, float(self.flow_ul_s[self.counting()].max()) - high_ul_s)


class PlantBoard:
    """A board whose pins are the plant's."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        self.tacho_count = 0

    def __getattr__(self, name: str) -> Any:
        plant = self._plant
        return getattr(plant.loops if name in ("water_ua", "temp_ua", "temp_ohm") else plant, name)

    def ticks_us(self) -> int:
        """Virtual time, modulo 2**30."""
        return self._plant.t_us & MASK

    def ticks_ms(self) -> int:
        """The same in milliseconds."""
        return self._plant.t_us // 1000 & MASK

    def refresh(self) -> None:
        """The plant's figures are the inputs; its edges are told modulo 2**30 as the board's timer would."""
        self.meter_edge_us = self._plant.meter_edge_us & MASK

    def set_pump(self, duty_permille: int) -> None:
        """Drive the plant's pump."""
        self._plant.drive(duty_permille, self._plant.outputs)

    def set_outputs(self, mask: int) -> None:
        """The plant's selector valves and lamps."""
        self._plant.drive(self._plant.duty_permille, mask)


def plant(
    seed: int,
    faults: bool = True,
    fluid_c: list[list[float]] | None = None,
    noise: bool = True,
    pace: float = 1.0,
    meter_slip_mm2_s: float = 0.0,
) -> Plant:
    """The plant of the rehearsal; `fluid_c` are [time, degC] pairs, `pace` how many times faster all happens.

    Without `noise` pump and meter are steady; `meter_slip_mm2_s` is the scenario key's `slip_mm2_s`.
    """
    table = {
        "title": "rehearsal",
        "duration": int(DURATION_S),
        "line": {"cooling": 0.0},
        "meter": {"scatter": _SCATTER if noise else 0.0, "slip_mm2_s": meter_slip_mm2_s},
        "pump": {} if noise else {"unsteady": 0.0},
        "temperature": {"low_c": -50.0, "high_c": 150.0, "air_c": _COLD_C, "swing_c": 0.0},
        "asset": [{
            "number": 1, "name": "rehearsal", "v40_mm2_s": _V40, "v100_mm2_s": _V100,
            "fluid_c": fluid_c or [[0.0, _COLD_C], [_WARM_UP_S / pace, _HOT_C]],
            "particles_4um_per_ml": 0.0,
        }],
        "fault": [
            {"kind": kind, "start": start / pace, "amount": amount}
            | ({"end": end / pace} if end > 0 else {})
            for kind, start, end, amount in DISTURBANCES
            if faults
        ],
    }  # fmt: skip
    return Plant(from_table(table), seed)


def settings_for(values: dict[str, Any] | None) -> dict[str, Any]:
    """A board's settings with what the rehearsal has to set: no limit of temperature, one long run."""
    whole = {**board_settings.defaults(), **(values or {})}
    sensor = {"temp_source": 1, "temp_low_cdeg": -5000, "temp_high_cdeg": 15000, "fluid_hot_cdeg": 0}
    return {**whole, **sensor, "run_limit_s": 7200, "autostart": 0}


def rehearse(
    values: dict[str, Any] | None,
    seed: int,
    driver: Driver | None = None,
    on: Plant | None = None,
    pace: float = 1.0,
) -> RehearsedRun:
    """One run with the board's settings `values`; with a `driver` its duties in place of the controller's.

    `on` is the plant, if not that of the seed and pace.
    """
    duration_s = DURATION_S / pace
    skid = on or plant(seed, pace=pace)
    board = PlantBoard(skid)
    process = Process(board)
    process.configure(settings_for(values))
    plan = [(at_s / pace, set_ul_s) for at_s, set_ul_s in SET_POINTS]
    set_ul_s = plan[0][1]
    limit_ms = round(duration_s * 1000) + 60_000
    n = round(duration_s * 1e6 / TICK_US)
    kept = np.empty((7, n))
    for k in range(n):
        if plan and skid.t_us >= plan[0][0] * 1e6:
            set_ul_s = plan.pop(0)[1]
            process.sequence.hold_by_hand(set_ul_s, limit_ms)
        if driver is not None:
            flow = process.flow
            process.sequence.fixed_permille = round(driver(k, flow.value_ul_s, flow.moving, set_ul_s))
        process.step(board, 0, True)
        before = skid.drawn_ml
        skid.step(TICK_US)
        flow_ul_s = (skid.drawn_ml - before) * 1e9 / TICK_US
        kept[:, k] = (
            skid.t_us * 1e-6, set_ul_s, flow_ul_s, process.flow.value_ul_s, process.controller.duty_permille,
            skid.viscosity_mm2_s, process.sequence.state,
        )  # fmt: skip
    return RehearsedRun(*kept)


def step_test(seed: int, fluid_c: float, low: int = 220, high: int = 270, cycles: int = 8) -> Trace:
    """The trace of a step test on the same plant, undisturbed, at one temperature: duties in per mille."""
    skid = plant(seed, faults=False, fluid_c=[[0.0, fluid_c]])
    board = PlantBoard(skid)
    process = Process(board)
    process.configure(settings_for(None))
    rows = []
    for n, (duty, seconds) in enumerate([(low, 60)] + [(high, 6), (low, 6)] * cycles):
        process.sequence.drive_by_hand(duty, 100_000)
        for _ in range(round(seconds * 1e6 / TICK_US)):
            process.step(board, 0, True)
            if n or skid.t_us > 50e6:
                # The row's duty holds from now on; flow and edge are as the board has them now.
                rows.append((
                    skid.t_us * 1e-6, process.controller.duty_permille, process.flow.value_ul_s,
                    skid.meter_edge_us * 1e-6, skid.meter_count * _PULSE_UL,
                ))  # fmt: skip
            skid.step(TICK_US)
    time_s, duty, flow, edge_s, volume = np.array(rows, dtype=np.float64).T
    return Trace(time_s, duty, flow, edge_s, volume, "rehearsal")


if TYPE_CHECKING:
    from matplotlib.figure import Figure

_COLUMNS = 900


def rehearsal(run: RehearsedRun, band: Band) -> Figure:
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


def changes(run: RehearsedRun, band: Band) -> Figure:
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
