"""The picture of a rig: what it can do over temperature, with the limits in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from skidwright import drawing
from skidwright.errors import RigError
from skidwright.rig.sizing.assessment import SizingAssessment
from skidwright.whole_file import replacing

from .hydraulics import inlet_least_bar_abs, largest_flow_ml_min, state_at
from .rig_file import Rig

ENDINGS = (".svg", ".png", ".pdf")


def draw(rig: Rig, found: SizingAssessment, path: Path) -> None:
    """Write a picture, SVG, PNG or PDF by the file's ending: pressures, torque and flow over temperature.

    Raises RigError for another ending, OSError when it cannot be written; an older picture stays then.
    """
    if path.suffix not in ENDINGS:
        raise RigError(f"{path}: a picture's name ends in {', '.join(ENDINGS)}")
    warm = rig.fluid.hottest_c
    cold = min(rig.fluid.coldest_c, found.coldest_oil_c if found.coldest_oil_c is not None else warm) - 5
    temperatures = np.linspace(cold, warm, 60)
    states = [state_at(rig, float(t), rig.sampling.flow_ml_min) for t in temperatures]
    made, (pressure, torque, flow) = drawing.figure(6.4, 3, [1.6, 1, 1])
    for values, line, colour, name in (
        ([s.delivery_bar for s in states], "-", drawing.BLUE, "behind the pump"),
        ([s.counter_bar for s in states], "--", drawing.GREEN, "at the counter"),
        ([s.inlet_bar_abs for s in states], "-.", drawing.BLACK, "pump's inlet, absolute"),
    ):
        pressure.plot(temperatures, values, line, color=colour, label=name)
    flush = [state_at(rig, float(t), rig.sampling.purge_flow_ml_min).inlet_bar_abs for t in temperatures]
    pressure.plot(temperatures, flush, ":", color=drawing.BLACK, label="the same while flushing")
    pressure.legend(frameon=False, loc="center right", fontsize=8.5, handlelength=3)
    pressure.set_ylabel("pressure\nbar")
    torque.plot(temperatures, [s.torque_nm for s in states], color=drawing.BLUE)
    torque.set_ylabel("pump's torque\nNm")
    drawn = [largest_flow_ml_min(rig, float(t), rig.sampling.purge_flow_ml_min) for t in temperatures]
    flow.plot(temperatures, drawn, color=drawing.BLUE)
    flow.set_ylabel("flush flow\nmL/min")
    limits = (
        (pressure, rig.pump.pressure_limit_bar, "most behind the pump", "above"),
        (pressure, inlet_least_bar_abs(rig), "least at the inlet", "below"),
        (torque, rig.pump.torque_limit_nm, "most torque", "above"),
        (flow, rig.counter.flow_low_ml_min, "least that the counter takes", "below"),
    )
    for axis, value, _, side in limits:
        axis.set_ylim(0, max(axis.get_ylim()[1], value * (1.3 if side == "above" else 1.8)))
    for axis, value, name, side in limits:
        drawing.limit(axis, value, name, side)
    for axis in (pressure, torque, flow):
        axis.axvspan(rig.fluid.coldest_c, rig.fluid.hottest_c, color=drawing.BLUE, alpha=0.07, linewidth=0)
        axis.grid(axis="y", color="#e4e4e4", linewidth=0.6)
        axis.set_axisbelow(True)
    flow.set_xlim(cold, warm + 0.02 * (warm - cold))
    flow.set_xlabel("temperature of the oil, °C; tinted: what this rig sees")
    pressure.set_title(rig.name)
    with replacing(path) as part:
        made.savefig(part, dpi=130)
