"""The picture of a rig: what it can do over temperature, with the limits in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from skidwright.errors import RigError
from skidwright.whole_file import replacing

from .assessment import Assessment
from .hydraulics import inlet_least_bar_abs, largest_flow_ml_min, state_at
from .rig_file import Rig

ENDINGS = (".svg", ".png", ".pdf")


def draw(rig: Rig, found: Assessment, path: Path) -> None:
    """Write a picture, SVG, PNG or PDF by the file's ending: pressures, torque and flow over temperature.

    Raises RigError for another ending, OSError when it cannot be written; an older picture stays then.
    """
    if path.suffix not in ENDINGS:
        raise RigError(f"{path}: a picture's name ends in {', '.join(ENDINGS)}")
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot as plt

    warm = rig.fluid.hottest_c
    cold = min(rig.fluid.coldest_c, found.coldest_oil_c if found.coldest_oil_c is not None else warm) - 5
    temperatures = np.linspace(cold, warm, 60)
    states = [state_at(rig, float(t), rig.sampling.flow_ml_min) for t in temperatures]
    figure, axes = plt.subplots(3, 1, figsize=(7.5, 8.5), sharex=True, constrained_layout=True)
    figure.suptitle(rig.name)
    pressure, torque, flow = axes
    pressure.plot(temperatures, [s.inlet_bar_abs for s in states], label="pump inlet, absolute")
    pressure.plot(temperatures, [s.delivery_bar for s in states], label="behind the pump, gauge")
    pressure.plot(temperatures, [s.counter_bar for s in states], label="at the counter, gauge")
    pressure.axhline(inlet_least_bar_abs(rig), color="C0", linestyle=":", label="least at the inlet")
    pressure.axhline(rig.pump.pressure_limit_bar, color="C1", linestyle=":", label="most behind the pump")
    pressure.set_ylabel("pressure, bar")
    torque.plot(temperatures, [s.torque_nm for s in states], color="C3", label="torque")
    torque.axhline(rig.pump.torque_limit_nm, color="C3", linestyle=":", label="most torque")
    torque.set_ylabel("torque, Nm")
    drawn = [largest_flow_ml_min(rig, float(t), rig.sampling.purge_flow_ml_min) for t in temperatures]
    flow.plot(temperatures, drawn, color="C2", label="flow it can draw, up to the flush flow")
    flow.axhspan(
        rig.counter.flow_low_ml_min,
        rig.counter.flow_high_ml_min,
        color="C2",
        alpha=0.15,
        label="counter's band",
    )
    flow.set_ylabel("flow, mL/min")
    flow.set_xlabel("temperature of the oil, degC")
    for axis in axes:
        axis.axvspan(rig.fluid.coldest_c, rig.fluid.hottest_c, color="0.5", alpha=0.08)
        axis.set_ylim(bottom=0)
        axis.grid(alpha=0.3)
        axis.legend(fontsize=8)
    with replacing(path) as part:
        figure.savefig(part, dpi=130)
    plt.close(figure)
