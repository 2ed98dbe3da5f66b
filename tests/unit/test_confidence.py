"""Limits and chances of samples against scipy; the water constants of an asset where they are used."""

import numpy as np
import pytest
from scipy import stats
from skidwright import config
from skidwright.checks import CheckLimits
from skidwright.errors import ConfigError
from skidwright.samples.counted import limits_per_ml, number_texts, read_by

EXACT = CheckLimits(volume_uncertainty_percent=0)


def test_limits_are_garwoods():
    counts = np.array([[54_000, 12_600, 1_140, 5], [0, 0, 0, 0]])
    low, high = limits_per_ml(read_by(EXACT, counts, [30.0, 12.0]))
    # F. Garwood, Biometrika 28, 1936, by chi-square quantiles (scipy)
    assert low[0] == pytest.approx(stats.chi2.ppf(0.025, 2 * counts[0]) / 2 / 30, rel=1e-6)
    assert high[0] == pytest.approx(stats.chi2.ppf(0.975, 2 * counts[0] + 2) / 2 / 30, rel=1e-6)
    assert low[1].tolist() == [0] * 4 and high[1] == pytest.approx(3.689 / 12, rel=1e-3)


def test_an_uncertain_volume_widens_and_coincidence_lifts():
    counts, volume = np.array([[54_000, 12_600, 1_140, 210]]), [30.0]
    exact, wide = (
        limits_per_ml(read_by(CheckLimits(volume_uncertainty_percent=u), counts, volume)) for u in (0, 2)
    )
    assert (wide.low_per_ml < exact.low_per_ml).all() and (wide.high_per_ml > exact.high_per_ml).all()
    # of many counts the volume is all that is left: 1.96 times 2 % to either side
    assert wide.high_per_ml[0, 0] / 1800 - 1 == pytest.approx(0.0405, abs=0.001)
    lifted = limits_per_ml(
        read_by(CheckLimits(volume_uncertainty_percent=0, sensing_volume_ml=2.5e-5), counts, volume)
    )
    assert (lifted.low_per_ml[0, 0] / exact.low_per_ml[0, 0]) > 1.04


def test_nothing_is_said_of_no_volume():
    counts = np.array([[54_000, 12_600, 1_140, 210]])
    low, high = limits_per_ml(read_by(EXACT, counts, [0.0]))
    assert np.isnan(low).all() and np.isnan(high).all()
    assert number_texts(read_by(EXACT, counts, [0.0])) == [["", "", ""]]


def test_chances_add_up_and_follow_the_table():
    # 1300 per mL is the last of scale number 17 (ISO 4406:2021, table 1): at 39000 in 30 mL it is even
    (first, second, third), *_ = number_texts(
        read_by(EXACT, np.array([[39_000, 12_600, 1_140, 210]]), [30.0])
    )
    assert {first} <= {"17 (50 %), 18 (50 %)", "18 (50 %), 17 (50 %)"}
    assert second == "16 (over 99 %)"
    # 1140 in 30 mL against 40 per mL, the last of 12: chance of less than 1200 by scipy
    chance = 1 - stats.gamma.cdf(1200, 1140.5)
    assert third == f"12 ({100 * (1 - chance):.0f} %), 13 ({100 * chance:.0f} %)"


def test_water_constants_come_as_a_pair(tmp_path):
    def read(**more):
        return config.parse({"asset": [{"number": 1, **more}]}, tmp_path / "skid.toml").asset(1)

    assert read().solubility is None
    own = read(water_a=7.5, water_b=1650).solubility
    assert (own.a, own.b, own.name) == (7.5, 1650, "own")
    with pytest.raises(ConfigError, match="water_b"):
        read(water_a=7.5)
