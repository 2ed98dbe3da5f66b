"""Flow held in its band through an hour of disturbances: the firmware's controller beside others.

One seeded plant for all: a cold start at 1000 mm2/s that warms to 5, set-point changes, a step in supply
pressure, a half-closed valve, a meter of 1 % scatter. See `skidwright.tuning.rehearsal` and `ideal_loop`.
"""

import numpy as np
from ideal_loop import NOMINAL_UL_S, duty_for, ideal, identified, simple_pid
from row import Row
from skidboard import settings
from skidwright.tuning.rehearsal import DISTURBANCES, SET_POINTS, plant, rehearse

SEED = 1
AFTER_S = 30.0


def after_events(run, pace=1.0):
    """The ticks in the `AFTER_S` after each change of set-point, pressure and valve: mask (n,)."""
    times = [at for at, _ in SET_POINTS[1:]]
    times += [t for _, start, end, _ in DISTURBANCES for t in (start, end) if t > 0]
    return np.any([(run.time_s > t / pace) & (run.time_s <= t / pace + AFTER_S) for t in times], axis=0)


def runs(seed, pace=1.0):
    """The tuning's proposal, the runs by name, and the flow of the ideal loop; `pace` makes all faster."""
    proposal = identified(seed)
    warm = duty_for(proposal, NOMINAL_UL_S)
    ours = rehearse(proposal.board_values(), seed, pace=pace)
    cold = round(float(np.mean(ours.duty_permille[(ours.time_s > 25) & (ours.time_s < 35)])))
    made = {
        "firmware": ours,
        "simple-pid": rehearse(None, seed, simple_pid(proposal), pace=pace),
        "fixed cold": rehearse(None, seed, lambda *_: cold, pace=pace),
        "fixed warm": rehearse(None, seed, lambda *_: warm, pace=pace),
    }
    smooth = rehearse(None, seed, lambda *_: warm, plant(seed, noise=False, pace=pace), pace)
    flow = ideal(proposal, made["fixed warm"], smooth, ours.set_ul_s)
    return proposal, made, flow


def rows(_folder):
    """Rows of share in band, IAE and overshoot."""
    table = settings.defaults()
    low, high = table["flow_low_ul_s"], table["flow_high_ul_s"]
    proposal, made, flow = runs(SEED)
    ours = made["firmware"]
    counting, events = ours.counting(), after_events(ours)

    def iae(of, mask):
        return float(np.abs(of - ours.set_ul_s)[mask].sum() * 0.1)

    gains = ", ".join(f"{k} {v}" for k, v in proposal.board_values().items())
    dead = proposal.process.dead_s
    names = {
        "firmware": "the firmware's estimator and controller",
        "simple-pid": "simple-pid, same gains, warm duty to start from",
        "fixed cold": "fixed duty, set when cold",
        "fixed warm": "fixed duty, set when warm",
    }
    found = []
    for name, run in made.items():
        aim = ">= 99.5" if name == "firmware" else ""
        note = f"{gains}; dead time of the loop {dead:.2f} s" if name == "firmware" else ""
        value = 100 * run.in_band(low, high)
        found.append(Row(f"counting time in band: {names[name]}", value, "%", aim, note))
    for what, mask in (("all counting time", counting), (f"{AFTER_S:g} s after each change", events)):
        of_ideal = iae(flow, mask)
        for name in ("firmware", "simple-pid"):
            aim = "<= 1.25" if name == "firmware" else ""
            value = iae(made[name].flow_ul_s, mask)
            note = f"{value:.0f} uL, the ideal SIMC loop {of_ideal:.0f} uL"
            found.append(Row(f"IAE over {what}: {names[name]}", value / of_ideal, "x", aim, note))
    for name, run in made.items():
        aim = "<= 0" if name == "firmware" else ""
        found.append(Row(f"beyond the band's top: {names[name]}", run.above(high), "uL/s", aim))
    return found
