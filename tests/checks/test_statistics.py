"""The statistical checks against scipy and against simulation of what they must let pass."""

import numpy as np
import pytest
from record_maker import counted, verdict_on
from scipy import stats
from skidwright.checks import CheckLimits, bursts

DEVIATION = CheckLimits().dispersion_deviation_percent / 100
EXPOSURES = np.diff([k * 150 // 8 for k in range(9)]) / 150


def test_quantile():
    assert stats.chi2.isf(1e-4, 7) == pytest.approx(bursts.CHI2_7_HIGH, abs=1e-3)


def test_statistic_equals_scipys():
    rng = np.random.default_rng(1)
    windows = rng.multinomial(700, EXPOSURES, size=50).T.astype(float)
    ours, total = bursts.chi_square(windows, np.repeat(EXPOSURES[:, None], 50, axis=1))
    for k in range(50):
        assert ours[k] == pytest.approx(stats.chisquare(windows[:, k], 700 * EXPOSURES).statistic)
    assert (total == 700).all()


@pytest.mark.parametrize("mean", [5, 20, 60, 300, 3000, 100_000])
def test_clean_poisson_with_small_flow_effects_trips_below_one_in_a_thousand(mean):
    rng = np.random.default_rng(mean)
    n = 40_000
    # a meter whose pulses scatter by 0.5 % and edges placed within a hundredth of a tick's particles
    exposures = EXPOSURES * (1 + 0.005 * rng.standard_normal((n, 8)))
    windows = rng.poisson(mean * exposures).T.astype(float)
    statistic, total = bursts.chi_square(windows, np.repeat(EXPOSURES[:, None], n, axis=1))
    assert np.mean(statistic > bursts.dispersion_limit(total, DEVIATION)) < 1e-3


@pytest.mark.parametrize("share", [0.1, 0.3])
def test_bursts_of_bubbles_are_caught(share):
    """Extra particles in bursts of about half a second every two seconds, as drawn-in air gives."""
    rng = np.random.default_rng(2)
    n, mean = 2000, 1200
    in_bursts = rng.poisson(2.2, (n, 8)) * rng.exponential(1, (n, 8)) / 2.2
    solids = rng.poisson(mean * EXPOSURES, (n, 8))
    windows = (solids + rng.poisson(share * mean / 8 * in_bursts)).T
    statistic, total = bursts.chi_square(windows.astype(float), np.repeat(EXPOSURES[:, None], n, axis=1))
    caught = np.mean(statistic > bursts.dispersion_limit(total, DEVIATION))
    assert caught > {0.1: 0.05, 0.3: 0.7}[share]


def test_sub_windows_without_pulses_are_left_out():
    row = counted([540, 126, 11, 2], volume_ul=1000)
    row["meter_pulses"] = 5
    shares = np.diff([k * 5 // 8 for k in range(9)])
    assert (shares == 0).sum() == 3
    row["windows_4um"] = 540 * shares // 5
    assert not verdict_on(row).hit("bursts-4um")[0]


def test_power_laws_are_no_air():
    """Exponents from 1.5 to 5 with Poisson counts: no more than one in a thousand is called air."""
    rng = np.random.default_rng(3)
    n = 4000
    slope = rng.uniform(2.2, 5, n)
    level = np.exp(rng.uniform(np.log(300), np.log(20_000), n))
    above = level[:, None] * (np.array([4, 6, 14, 21, np.inf]) / 4) ** -slope[:, None]
    parts = rng.poisson((above[:, :-1] - above[:, 1:]) * 30)
    counts = np.cumsum(parts[:, ::-1], axis=1)[:, ::-1]
    rows = np.concatenate([counted([54_000, 12_600, 1_140, 210])] * n)
    rows["seq"], rows["counts"] = np.arange(n), counts
    verdicts = verdict_on(rows)
    assert verdicts.hit("air").mean() < 1e-3
    assert verdicts.hit("size-slope").mean() < 1e-3
    assert verdicts.hit("channel-dead").mean() < 1e-3
