"""The host's volume of a meter pulse, by its own viscosity, beside the board's in integers."""

import numpy as np
import pytest
import synthetic_log as sl
from skidboard import settings
from skidboard.meter_table import MeterTable
from skidwright import config
from skidwright.checks import CheckLimits
from skidwright.checks.flow import volume_differs
from skidwright.checks.in_force import SettingsHistory
from skidwright.checks.readings import Before, Readings

VALUES = {
    "meter_table": [[5, 206000], [20, 202000], [100, 200000], [1000, 199000]],
    "fluid_v40_dmm2_s": 460,
    "fluid_v100_dmm2_s": 68,
}


def columns(temps_c, values):
    """Samples at these temperatures of a board that has these settings."""
    whole = {**settings.defaults(), **values}
    samples = sl.samples(len(temps_c))
    samples["settings_crc"] = settings.digest(whole)
    for name in ("temp_min_cdeg", "temp_mean_cdeg", "temp_max_cdeg"):
        samples[name] = np.round(np.asarray(temps_c) * 100)
    return Readings(
        samples, np.zeros(len(samples), np.uint8), CheckLimits(), SettingsHistory(whole), None, None, Before()
    )


def test_host_and_board_agree_on_the_volume_of_a_pulse():
    temps_c = np.arange(-15.0, 125.0, 2.5)
    board = MeterTable()
    board.configure(200000, VALUES["meter_table"], VALUES["fluid_v40_dmm2_s"], VALUES["fluid_v100_dmm2_s"])
    ours = columns(temps_c, VALUES).pulse_nl
    theirs = [board.at(round(100 * t)) for t in temps_c]
    print(f"figure: meter's table: board against host: {np.max(np.abs(ours / theirs - 1)):.4%} at most")
    assert ours == pytest.approx(theirs, rel=2e-4)
    assert ours[0] == 199000 and ours[-1] == 206000


def test_a_volume_reckoned_without_the_table_differs():
    hot = columns([110.0, 118.0], VALUES)
    assert volume_differs(hot).all()
    hot.samples["volume_ul"] = np.round(hot.samples["meter_pulses"] * np.asarray(hot.pulse_nl) / 1000)
    hot.samples["flow_mean_ul_s"] = hot.samples["volume_ul"] * 1000 // hot.samples["count_ms"]
    again = Readings(hot.samples, hot.marks, hot.limits, hot._settings, None, None, Before())
    assert not volume_differs(again).any()
    assert not volume_differs(columns([110.0], {})).any()


def test_the_meters_uncertainty_widens_the_limits(tmp_path):
    def percent(**tables):
        return config.parse(tables, tmp_path / "skid.toml").limits().volume_uncertainty_percent

    assert percent() == 1
    assert percent(board={"meter_uncertainty_cpct": 45}) == 0.45
    assert percent(board={"meter_uncertainty_cpct": 45}, checks={"volume_uncertainty_percent": 2}) == 2


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (5, "a list of up to 4"),
        ([[5, 200000]] * 5, "a list of up to 4"),
        ([[5]], "a list of up to 4"),
        ([[5, True]], "a list of up to 4"),
        ([[20, 200000], [5, 201000]], "each above the last"),
        ([[1, 200000]], "from 2 to 5000"),
        ([[5, 100]], "outside 1000 to 1000000"),
    ],
)
def test_what_is_no_table_is_refused(value, words):
    assert words in settings.check("meter_table", value)


def test_a_table_needs_viscosities_and_stays_near():
    assert settings.check_all(VALUES) == []
    assert "fluid_v100" in settings.check_all({"meter_table": [[5, 200000]]})[0]
    assert "fluid_v100" in settings.check_all({**VALUES, "fluid_v40_dmm2_s": 60})[0]
    assert "within a quarter" in settings.check_all({**VALUES, "meter_table": [[5, 260000]]})[0]
