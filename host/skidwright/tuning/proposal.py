"""Gains proposed for a model, set against the present ones, and what is to be said about them."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

from skidwright.errors import TuningError
from skidwright.tuning import simc
from skidwright.tuning.identify import Model
from skidwright.tuning.simc import Gains, Margins, Process, margins

CONTROL_PERIOD_S = 0.1
# Limits of common practice: Ms of 1.2 to 2.0 (Astrom and Hagglund, Advanced PID Control, 2006, section 4.6).
MS_WORST_MAX = 2.0
MS_REFUSED = 3.0


@dataclass(frozen=True)
class Tuning:
    """Settings of the board, the gains they stand for and the margins of the loop with them.

    `ms_worst` is the largest peak sensitivity over the corners of the model's 95 % intervals, infinite where
    a corner is unstable; `duty_noise_permille` how much the flow's noise moves the duty (standard deviation).
    """

    settings: dict[str, int]
    gains: Gains
    margins: Margins
    ms_worst: float
    duty_noise_permille: float


@dataclass(frozen=True)
class Proposal:
    """`process` is what the controller has before it: the model and the delays of measuring and computing."""

    model: Model
    process: Process
    closed_loop_s: float
    present: Tuning | None
    proposed: Tuning
    acceptable: bool
    statements: tuple[str, ...]

    def board_values(self) -> dict[str, int]:
        """All settings to write: the gains, and the feedforward where the model can tell it."""
        return {**self.proposed.settings, **simc.feedforward(self.model)}


def loop_process(model: Model, control_period_s: float = CONTROL_PERIOD_S) -> Process:
    """The process as a controller of that period meets it: half a period more of dead time, for it holds its
    output."""  # fmt: skip
    return Process(model.gain.value, model.tau_s.value, model.seen_dead_s + control_period_s / 2)


def propose(
    model: Model,
    closed_loop_s: float | None = None,
    present: dict[str, int] | None = None,
    control_period_s: float = CONTROL_PERIOD_S,
) -> Proposal:
    """SIMC gains for `closed_loop_s`, by default the dead time of the loop, which is as fast as is robust.

    Raises TuningError for a closed-loop time that is no positive number.
    """
    process = loop_process(model, control_period_s)
    wanted = process.dead_s if closed_loop_s is None else closed_loop_s
    if not 0 < wanted < 1e5:
        raise TuningError(f"closed-loop time {wanted:g} s", "", "give a time above 0")
    proposed = judge(model, process, simc.to_settings(simc.simc(process, wanted)))
    before = judge(model, process, present) if present else None
    acceptable = proposed.margins.stable and proposed.ms_worst <= MS_REFUSED
    return Proposal(
        model, process, wanted, before, proposed, acceptable, _statements(process, wanted, proposed, before)
    )


def judge(model: Model, process: Process, values: dict[str, int]) -> Tuning:
    """The margins of a loop with these settings, at the model's values and the corners of its intervals."""
    gains = simc.from_settings(values)
    worst = 0.0
    extra_s = process.dead_s - model.dead_s.value
    for k, tau, dead in product(*((e.low, e.high) for e in (model.gain, model.tau_s, model.dead_s))):
        corner = Process(k, max(tau, 1e-3), max(dead, 0.0) + extra_s)
        at = margins(corner, gains)
        worst = max(worst, at.peak_sensitivity if at.stable else float("inf"))
    kept = {name: values[name] for name in (simc.GAIN, simc.INTEGRAL)}
    return Tuning(kept, gains, margins(process, gains), worst, gains.kc * model.noise_ul_s)


def _statements(process: Process, wanted: float, proposed: Tuning, present: Tuning | None) -> tuple[str, ...]:
    """What a person should know, a sentence each."""
    out = []
    if not proposed.margins.stable:
        out.append("With the proposed gains the loop would swing up: ask for a slower closed loop.")
    elif proposed.ms_worst > MS_WORST_MAX:
        out.append(
            f"Somewhere within the model's intervals Ms is {proposed.ms_worst:.2f}, above {MS_WORST_MAX:g}: "
            "ask for a slower closed loop, or repeat the test for a surer model."
        )
    else:
        out.append(f"Robust: Ms stays below {MS_WORST_MAX:g} everywhere within the model's 95 % intervals.")
    if wanted < 0.999 * process.dead_s:
        out.append(
            f"The wanted closed-loop time {wanted:.2f} s is shorter than the loop's dead time "
            f"{process.dead_s:.2f} s: little is won, and margins shrink."
        )
    if process.dead_s > 2 * process.tau_s:
        out.append("Most of the lag is dead time: a meter with more pulses to the litre would help most.")
    exact = simc.simc(process, wanted)
    if abs(proposed.gains.kc / exact.kc - 1) > 0.05 or abs(proposed.gains.ti_s / exact.ti_s - 1) > 0.05:
        out.append("The board's settings cannot take these gains as they are; the nearest stand here.")
    if present is not None:
        if not present.margins.stable:
            out.append("With the present gains the loop swings up.")
        elif present.ms_worst > MS_WORST_MAX:
            out.append(f"The present gains are not robust: Ms may reach {present.ms_worst:.2f}.")
    return tuple(out)
