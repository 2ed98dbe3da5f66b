"""SIMC gains and margins against Skogestad's paper and python-control."""

import control
import numpy as np
import pytest
from skidboard.controller import FlowController
from skidboard.flow import FINE
from skidwright.tuning import simc
from skidwright.tuning.picture import set_point_step
from skidwright.tuning.simc import Gains, Process, margins

GRID = [
    (Process(2.0, tau, dead), factor)
    for tau in (0.3, 1.5, 12.0)
    for dead in (0.2, 1.0)
    for factor in (0.5, 1, 3)
]


def test_tau_c_as_long_as_the_dead_time() -> None:
    """Skogestad, J. Process Control 13 (2003) 291-309: 3.14, 61.4 degrees, 1.59."""
    process = Process(2.0, 1.5, 0.5)
    at = margins(process, simc.simc(process, 0.5))
    print(f"figure: SIMC, tau_c = theta: gain margin {at.gain_margin:.3f}, phase margin "
          f"{at.phase_margin_deg:.2f} degrees, Ms {at.peak_sensitivity:.3f}")  # fmt: skip
    assert at.gain_margin == pytest.approx(3.14, abs=0.005)
    assert at.phase_margin_deg == pytest.approx(61.4, abs=0.05)
    assert at.peak_sensitivity == pytest.approx(1.59, abs=0.005)


def test_gains_of_the_paper() -> None:
    """The rules themselves, for a lag below and above the integral time's limit."""
    gains = simc.simc(Process(2.0, 1.5, 0.5), 0.5)
    assert (gains.kc, gains.ti_s) == pytest.approx((0.75, 1.5))
    gains = simc.simc(Process(2.0, 40.0, 0.5), 0.5)
    assert (gains.kc, gains.ti_s) == pytest.approx((20.0, 4.0))


@pytest.mark.parametrize(("process", "factor"), GRID)
def test_margins_against_python_control(process: Process, factor: float) -> None:
    """A Pade approximation of order 12 is exact to far beyond the crossovers."""
    gains = simc.simc(process, factor * process.dead_s)
    s = control.tf("s")
    delay = control.tf(*control.pade(process.dead_s, 12))
    loop = gains.kc * (1 + 1 / (gains.ti_s * s)) * process.gain / (process.tau_s * s + 1) * delay
    gm, pm, _, w_phase, w_gain, _ = control.stability_margins(loop)
    at = margins(process, gains)
    assert at.gain_margin == pytest.approx(gm, rel=1e-4)
    assert at.phase_margin_deg == pytest.approx(pm, abs=1e-3)
    assert at.phase_crossover_rad_s == pytest.approx(w_phase, rel=1e-4)
    assert at.gain_crossover_rad_s == pytest.approx(w_gain, rel=1e-4)
    w = np.geomspace(0.01 / process.dead_s, 20 / process.dead_s, 20000)
    peak = np.max(1 / np.abs(1 + control.frequency_response(loop, w).complex))
    assert at.peak_sensitivity == pytest.approx(peak, rel=1e-5)


def test_unstable_loops_are_told() -> None:
    process = Process(2.0, 1.5, 0.5)
    gains = simc.simc(process, 0.5)
    assert margins(process, Gains(gains.kc * 3.10, gains.ti_s)).stable
    beyond = margins(process, Gains(gains.kc * 3.18, gains.ti_s))
    assert not beyond.stable and beyond.gain_margin < 1


def test_settings_make_the_boards_controller_the_pi_meant() -> None:
    """The firmware's own controller, fed with a constant error, moves as kc e (1 + t / ti) says."""
    gains = Gains(0.332, 1.193)
    values = simc.to_settings(gains)
    assert values == {"gain_ppm_per_ul_s": 332, "integral_ms": 1193}
    assert simc.from_settings(values) == gains
    controller = FlowController()
    controller.configure(4000, 0, 1000, 10000, values["gain_ppm_per_ul_s"], values["integral_ms"])
    controller.aim(1000)
    for _ in range(10):
        controller.fix(250, 100)
    # From a duty by hand that suits the set-point: nothing to follow, nothing learnt.
    controller.update(1000 * FINE, True, 100)
    assert controller.duty_permille == 250
    ticks = 20
    for _ in range(ticks + 1):
        controller.update(900 * FINE, True, 100)
    moved = controller.duty_permille - 1000 * 1000 / 4000
    assert moved == pytest.approx(0.332 * 100 * (1 + ticks * 0.1 / 1.193), abs=1.0)


def test_settings_stay_within_the_boards_ranges() -> None:
    assert simc.to_settings(Gains(1000.0, 1e6)) == {"gain_ppm_per_ul_s": 5000, "integral_ms": 600000}
    assert simc.to_settings(Gains(1e-9, 1e-9)) == {"gain_ppm_per_ul_s": 1, "integral_ms": 100}


def test_answer_against_python_control() -> None:
    process = Process(2.0, 1.5, 0.5)
    gains = simc.simc(process, 0.5)
    answer = set_point_step(process, gains, 100.0, 8.0)
    s = control.tf("s")
    loop = gains.kc * (1 + 1 / (gains.ti_s * s)) * 2.0 / (1.5 * s + 1) * control.tf(*control.pade(0.5, 10))
    expected = control.step_response(control.feedback(loop, 1), answer.time_s[::10]).outputs * 100.0
    assert np.max(np.abs(answer.flow_ul_s[::10] - expected)) < 2.5
    assert answer.overshoot(100.0) == pytest.approx(max(expected) / 100 - 1, abs=0.02)
