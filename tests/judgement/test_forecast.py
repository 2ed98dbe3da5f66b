"""Forecasts: Fieller's interval against a numerical search, never a date without a trend, coverage."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as some
from machine_years import first_order
from scipy import optimize
from skidwright.judgement import forecast, trend
from trends import coverage

LINE = trend.Trend(0.02, 0.012, 0.028, 50.0, 10.0, 0.05, 0.2, 1.0, 100, 0.0, 100.0)


def test_interval_is_where_the_line_cannot_be_told_from_the_limit() -> None:
    """Both ends solve |limit - line| = z * its error, found by `scipy.optimize.brentq`."""
    found = forecast.forecast(LINE, 12.0)
    z = 1.959963984540054
    error = 0.008 / z

    def apart(days):
        since = days - LINE.centre_days
        return abs(12.0 - LINE.at(days)) - z * np.hypot(LINE.level_error, since * error)

    assert found.state == forecast.AHEAD
    assert found.likely_days == pytest.approx(150.0)
    assert found.earliest_days == pytest.approx(optimize.brentq(apart, 60, 150))
    assert found.latest_days == pytest.approx(optimize.brentq(apart, 150, 1e6))


@given(
    slope=some.floats(-1, 1),
    below=some.floats(0, 1),
    above=some.floats(0, 1),
    limit=some.floats(-100, 100),
    error=some.floats(0, 1),
)
def test_no_date_from_a_slope_that_may_be_none(slope, below, above, limit, error) -> None:
    line = dataclasses.replace(LINE, slope=slope, low=slope - below, high=slope + above, level_error=error)
    found = forecast.forecast(line, limit)
    if line.low <= 0:
        assert found.state in (forecast.NO_TREND, forecast.AWAY, forecast.CROSSED)
        assert np.isnan(found.earliest_days) and np.isnan(found.latest_days)
    if found.state == forecast.AHEAD:
        assert LINE.last_days <= found.earliest_days <= found.latest_days
        assert found.earliest_days <= found.horizon_days


def test_words_for_what_is_not_ahead() -> None:
    assert forecast.forecast(None, 12.0).state == forecast.NO_TREND
    assert forecast.forecast(dataclasses.replace(LINE, low=-0.001), 12.0).state == forecast.NO_TREND
    falling = dataclasses.replace(LINE, slope=-0.02, low=-0.03, high=-0.01)
    assert forecast.forecast(falling, 12.0).state == forecast.AWAY
    assert forecast.forecast(LINE, 9.0).state == forecast.CROSSED
    far = forecast.forecast(LINE, 30.0)
    assert (far.state, far.horizon_days) == (forecast.FAR, 300.0)


@pytest.mark.parametrize("alike", [0.0, 0.5])
def test_interval_holds_the_true_day(alike) -> None:
    """300 ramps of 0.02 a point with noise 0.2, seen for 120 points, that cross the limit at point 180."""
    rng = np.random.default_rng(11)
    days = np.arange(120.0)
    held = ahead = 0
    for _ in range(300):
        found = forecast.forecast(trend.trend(days, 0.2 * first_order(rng, 120, alike) + 0.02 * days), 3.6)
        ahead += found.state == forecast.AHEAD
        held += found.state == forecast.AHEAD and found.earliest_days <= 180 <= found.latest_days
    print(f"figure: forecast, points alike by {alike}: {held / ahead:.1%} of {ahead} hold the true day")
    assert ahead >= 285
    assert 0.90 * ahead <= held <= 0.995 * ahead


@pytest.mark.slow
def test_whole_judgement_of_ramps() -> None:
    """From counts to forecast, changes included: 40 ramps (`make trends` has 200 of each kind)."""
    held, words, _ = coverage(40, every_h=24)
    assert words.get(forecast.AHEAD, 0) >= 36
    assert held >= 0.85
