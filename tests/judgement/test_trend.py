"""Trend, its interval and the noise behind it, against SciPy and statsmodels on the same data."""

import numpy as np
import pytest
from machine_years import first_order
from scipy import stats
from skidwright.judgement import robust, trend
from statsmodels.tsa.arima.model import ARIMA
from statsmodels.tsa.stattools import acf


@pytest.mark.parametrize("seed", range(12))
def test_slope_and_interval_are_those_of_scipy(seed) -> None:
    """`scipy.stats.theilslopes` on the same data, ties and unequal steps included."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(8, 120))
    days = np.sort(rng.uniform(0, 100, n))
    values = rng.standard_normal(n) + 0.02 * days
    if seed % 2:
        values = np.round(values)
    expected = stats.theilslopes(values, days, 0.95)
    assert trend.sen_slope(days, values) == pytest.approx((expected[0], expected[2], expected[3]))


def test_trend_through_independent_points_has_scipy_s_interval() -> None:
    rng = np.random.default_rng(3)
    days = np.arange(100.0)
    values = rng.standard_normal(100) + 0.05 * days
    found = trend.trend(days, values)
    expected = stats.theilslopes(values, days, 0.95)
    assert found.more == 1.0
    assert (found.slope, found.low, found.high) == pytest.approx((expected[0], expected[2], expected[3]))
    assert found.rising and not found.falling
    assert found.at(50.0) == pytest.approx(2.5, abs=0.4)


def test_too_little_is_no_trend() -> None:
    assert trend.trend(np.arange(7.0), np.arange(7.0)) is None
    assert trend.trend(np.linspace(0, 0.5, 50), np.arange(50.0)) is None
    with pytest.raises(ValueError, match="two different times"):
        trend.sen_slope(np.zeros(5), np.arange(5.0))


@pytest.mark.parametrize("alike", [0.0, 0.3, 0.6, 0.8])
def test_interval_holds_the_slope_although_points_are_alike(alike) -> None:
    """First-order noise about a slope of 0.01: the 95 % interval must hold it in about 95 % (300 series)."""
    rng = np.random.default_rng(17)
    days = np.arange(122.0)
    held = plain = 0
    for _ in range(300):
        values = first_order(rng, 122, alike) + 0.01 * days
        found = trend.trend(days, values)
        held += found.low <= 0.01 <= found.high
        _, low, high = trend.sen_slope(days, values)
        plain += low <= 0.01 <= high
    print(
        f"figure: trend, points alike by {alike}: 95 % interval holds {held / 300:.1%} "
        f"(uncorrected {plain / 300:.1%})"
    )
    assert held >= 0.90 * 300
    if alike >= 0.6:
        assert plain < 0.80 * 300  # without the correction it would not


def test_noise_against_the_likeliest_model_of_statsmodels() -> None:
    """First-order noise: correlation and variance by `ARIMA(1, 0, 0)` (maximum likelihood) on the same
    data."""
    rng = np.random.default_rng(5)
    for alike in (0.3, 0.6, 0.8):
        values = np.stack([2 * first_order(rng, 366, alike) for _ in range(30)])
        found = robust.noise(values, np.zeros(30))
        fits = [ARIMA(row, order=(1, 0, 0)).fit() for row in values]
        long_run = np.array([fit.params[2] / (1 - fit.params[1]) ** 2 for fit in fits])
        assert np.median(found.long_run) == pytest.approx(np.median(long_run), rel=0.3)
        assert np.median(found.sd) == pytest.approx(2.0, rel=0.12)


def test_noise_is_seen_through_steps_drifts_and_strays() -> None:
    """A step of 3 and of -2, a drift and strays of 15 leave it within a fifth."""
    rng = np.random.default_rng(6)
    plain = rng.standard_normal((20, 366))
    changed = plain + 0.02 * np.arange(366)
    changed[:, 100:] += 3
    changed[:, 250:] -= 2
    changed[:, [30, 60, 90]] += 15
    before, after = (robust.noise(rows, np.zeros(20)) for rows in (plain, changed))
    assert np.median(before.sd) == pytest.approx(1.0, rel=0.05)
    assert np.median(after.sd) == pytest.approx(1.0, rel=0.2)
    assert np.median(before.more) == 1.0
    assert np.median(after.more) < 2.5


def test_held_deviation_of_normal_values_is_theirs() -> None:
    """The factor for values held at 3 standard deviations, by SciPy's integral of the normal density."""
    expected = stats.norm.expect(lambda z: min(z * z, 9.0))
    assert expected == pytest.approx(robust._HELD_VARIANCE, abs=1e-4)


def test_lag_one_is_statsmodels_acf_corrected() -> None:
    rng = np.random.default_rng(7)
    values = first_order(rng, 400, 0.5)
    values -= values.mean()
    plain = acf(values, nlags=1, fft=False)[1]
    assert robust.lag_one(values) == pytest.approx((400 * plain + 1) / 396, abs=0.03)
