"""Forecasts: Fieller's interval against a numerical search, never a date without a trend, coverage."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as some
from machine_years import first_order
from scipy import optimize, stats
from skidwright.judgement import trend
from trends import coverage

RNG = np.random.default_rng(4)
DAYS = np.arange(101.0)
LINE = trend.trend(DAYS, 9.0 + 0.02 * DAYS + 0.2 * RNG.standard_normal(101))


def of_one_noise(line: trend.Trend, slope: float, low: float) -> trend.Trend:
    """The trend by independent noise alone, with a slope and the lower end of its interval."""
    weight = np.zeros(len(line.fitted.weight))
    weight[0] = 1.0
    fitted = dataclasses.replace(line.fitted, weight=weight, slope=np.full(len(weight), slope))
    return dataclasses.replace(line, slope=slope, low=low, high=2 * slope - low, fitted=fitted)


def test_interval_for_a_noise_that_is_known_is_fieller_s() -> None:
    """Both ends solve |limit - line| = t * its error, found by `scipy.optimize.brentq` with SciPy's t."""
    one = of_one_noise(LINE, 0.02, 0.012)
    found = trend.forecast(one, 12.0)
    fitted, t = one.fitted, stats.t.ppf(0.975, 99)

    def apart(days):
        since = days - fitted.centre
        return abs(12.0 - fitted.level[0] - since * 0.02) - t * np.hypot(
            fitted.level_error[0], since * fitted.slope_error[0]
        )

    likely = fitted.centre + (12.0 - fitted.level[0]) / 0.02
    assert found.state == trend.AHEAD
    assert found.likely_days == pytest.approx(likely, abs=0.1)
    assert found.earliest_days == pytest.approx(optimize.brentq(apart, 60, likely), abs=0.3)
    assert found.latest_days == pytest.approx(optimize.brentq(apart, likely, 1e4), abs=0.3)


@settings(deadline=None)
@given(slope=some.floats(-1, 1), below=some.floats(0, 1), limit=some.floats(-100, 100))
def test_no_date_from_a_slope_that_may_be_none(slope, below, limit) -> None:
    line = of_one_noise(LINE, slope, slope - below)
    found = trend.forecast(line, limit)
    if line.low <= 0:
        assert found.state in (trend.NO_TREND, trend.AWAY, trend.CROSSED)
        assert np.isnan(found.earliest_days) and np.isnan(found.latest_days)
    if found.state == trend.AHEAD:
        assert LINE.last_days <= found.earliest_days <= found.latest_days
        assert found.earliest_days <= found.horizon_days


def test_words_for_what_is_not_ahead() -> None:
    assert trend.forecast(None, 12.0).state == trend.NO_TREND
    assert trend.forecast(dataclasses.replace(LINE, low=-0.001), 12.0).state == trend.NO_TREND
    falling = dataclasses.replace(LINE, slope=-0.02, low=-0.03, high=-0.01)
    assert trend.forecast(falling, 12.0).state == trend.AWAY
    assert trend.forecast(LINE, 9.0).state == trend.CROSSED
    far = trend.forecast(LINE, 30.0)
    assert (far.state, far.horizon_days) == (trend.FAR, 300.0)


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.9])
def test_interval_holds_the_true_day(alike) -> None:
    """150 ramps of 0.02 a point with noise 0.2, seen for 120 points, that cross the limit at point 180."""
    rng = np.random.default_rng(11)
    days = np.arange(120.0)
    held = ahead = 0
    for _ in range(150):
        found = trend.forecast(trend.trend(days, 0.2 * first_order(rng, 120, alike) + 0.02 * days), 3.6)
        ahead += found.state == trend.AHEAD
        held += found.state == trend.AHEAD and found.earliest_days <= 180 <= found.latest_days
    print(f"figure: forecast, points alike by {alike}: {held / ahead:.1%} of {ahead} hold the true day")
    assert ahead >= (140 if alike < 0.9 else 60)
    assert held >= stats.binom.ppf(0.001, ahead, 0.95)


@pytest.mark.slow
def test_whole_judgement_of_ramps() -> None:
    """From counts to forecast, changes included: 40 ramps (`make trends` has 200 of each kind)."""
    held, words, _ = coverage(40, every_h=24)
    assert words.get(trend.AHEAD, 0) >= 36
    assert held >= 0.85
