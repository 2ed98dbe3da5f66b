"""The loops that the firmware's controller is set against, on the plant of `skidwright.tuning.rehearsal`."""

import control
import numpy as np
from skidwright.tuning import rehearsal
from skidwright.tuning.identify import identify
from skidwright.tuning.proposal import propose

PADE_ORDER = 5
# Where the pump is identified, and about what duty: ISO VG 32 at 40 degC.
TUNED_AT_C = 40.0
NOMINAL_UL_S = 833.0


def identified(seed):
    """The proposal of `skidwright tune` for this plant at `TUNED_AT_C`."""
    return propose(identify(rehearsal.step_test(seed, TUNED_AT_C)))


def duty_for(proposal, flow_ul_s):
    """The fixed duty (per mille) that gives a flow where the plant was identified."""
    return round((flow_ul_s - proposal.model.flow0_ul_s) / proposal.model.gain.value)


def ideal(proposal, fixed, smooth, set_ul_s):
    """True flow (n,) of a SIMC PI loop round the identified model, at the ticks of the runs.

    `fixed` is the same seeded plant with a fixed duty, `smooth` that without noise: its flow less
    `NOMINAL_UL_S` is the disturbance at the loop's output. Noise of the pump is what `fixed` has beside
    `smooth`, noise of the measurement its estimate beside its own flow one dead time ago; both relative, for
    they go with the flow. Linear, without limits, exact but for the dead time, a Pade approximation:

        y = (d + G C (r - n)) / (1 + G C D)
        G = gain / (lag s + 1), C = kc (1 + 1 / (ti s)), D = exp(-dead s)
    """
    process, gains = proposal.process, proposal.proposed.gains
    t = fixed.time_s - fixed.time_s[0]
    s = control.tf("s")
    plant = process.gain / (process.tau_s * s + 1)
    pi = gains.kc * (1 + 1 / (gains.ti_s * s))
    delay = control.tf(*control.pade(process.dead_s, PADE_ORDER))
    unsteady = NOMINAL_UL_S * (fixed.flow_ul_s / np.maximum(smooth.flow_ul_s, 1.0) - 1)
    # The run's flow is the mean over the tick that follows its estimate.
    ago = np.interp(t - proposal.model.seen_dead_s, t + 0.05, fixed.flow_ul_s)
    noise = NOMINAL_UL_S * np.clip(fixed.estimate_ul_s / np.maximum(ago, 1.0) - 1, -0.05, 0.05)
    unsteady[t < 5.0] = noise[t < 5.0] = 0.0
    once = control.minreal(control.feedback(1, plant * pi * delay), verbose=False)
    from_noise = control.minreal(control.feedback(plant * pi, delay), verbose=False)
    disturbance = smooth.flow_ul_s - NOMINAL_UL_S + unsteady
    answer = control.forced_response(once, t, disturbance).outputs
    moved = control.forced_response(from_noise, t, set_ul_s - NOMINAL_UL_S - noise).outputs
    return NOMINAL_UL_S + answer + moved


def simple_pid(proposal):
    """A driver for `rehearse`: the package simple-pid with the same gains, from the nominal duty on."""
    from simple_pid import PID

    gains = proposal.proposed.gains
    pid = PID(
        gains.kc, gains.kc / gains.ti_s, 0.0, sample_time=None, output_limits=(60.0, 950.0),
        starting_output=float(duty_for(proposal, NOMINAL_UL_S)),
    )  # fmt: skip

    def drive(_tick, flow_ul_s, moving, set_ul_s):
        pid.setpoint = set_ul_s
        duty = pid(flow_ul_s if moving else set_ul_s, dt=0.1)
        return 0.0 if duty is None else duty

    return drive
