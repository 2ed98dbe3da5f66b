"""A short version of `make random-settings`: what the board accepts it can run with, and holds the flow."""

import pytest
from random_settings import sweep
from skidboard import settings


def test_accepted_settings_hold_the_flow():
    accepted, kept, slow, refused, wrong = sweep(20261130, 30)
    assert accepted == 30 and not wrong
    assert kept >= 20 and kept + slow == 30 and sum(refused.values()) > 10


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"pump_full_ul_s": 800}, "pump_full_ul_s: flow_set_ul_s takes a duty of 1041"),
        ({"duty_min_permille": 300}, "pump_full_ul_s: flow_set_ul_s takes a duty of 208"),
        (
            {"pump_full_ul_s": 45000, "duty_min_permille": 0, "gain_ppm_per_ul_s": 10},
            "pump_full_ul_s: more than",
        ),
        ({"gain_ppm_per_ul_s": 2001}, "gain_ppm_per_ul_s: at most 1999"),
        ({"gain_ppm_per_ul_s": 1, "integral_ms": 2000}, "gain_ppm_per_ul_s: too low for integral_ms"),
        ({"gain_ppm_per_ul_s": 900}, "gain_ppm_per_ul_s: too high for integral_ms"),
        ({"meter_pulse_nl": 1000000}, "gain_ppm_per_ul_s: too high for integral_ms and the time between"),
        # Pulses shorter than a tick: the tick and the averaging are dead time all the same.
        (
            {"meter_pulse_nl": 2000, "gain_ppm_per_ul_s": 1000, "integral_ms": 700},
            "gain_ppm_per_ul_s: too high for",
        ),
        ({"no_flow_ms": 1000, "meter_pulse_nl": 400000}, "no_flow_ms: at least twice"),
        # The ramp's second pulse would come after 4 s, when the controller has let go of the pump.
        ({"duty_slew_permille_s": 10}, "no_flow_ms: too short for integral_ms, duty_slew_permille_s"),
        ({"fluid_v40_dmm2_s": 1670, "fluid_v100_dmm2_s": 1669}, "fluid_v100_dmm2_s: 20 or more"),
    ],
)
def test_what_cannot_be_held_is_refused_by_name(changes, name):
    assert any(problem.startswith(name) for problem in settings.check_all(changes)), settings.check_all(
        changes
    )
