"""Trend, its interval and the noise behind it: against SciPy and statsmodels, and on invented machines."""

import numpy as np
import processes
import pytest
import statsmodels.api
from scipy import stats
from skidwright.judgement import line, noise, series, trend

# 95 % is stated, and 90 % where a level wanders so slowly that it passes for a drift.
STATED = {name: 0.95 for name in processes.NOISES} | {"alike by 0.97": 0.90, "half of it alike by 0.9": 0.90}


@pytest.mark.parametrize("place", [0, 4, 9, 16, 19])
def test_line_by_one_noise_is_that_of_generalised_least_squares(place) -> None:
    """`statsmodels.api.GLS` with the same covariance between points, gaps included; widening taken out."""
    rng = np.random.default_rng(3)
    days = np.delete(np.arange(40.0), [7, 8, 9, 22])
    values = rng.standard_normal(len(days)) * 0.2 + 0.01 * days
    found = line.line(days, noise.strays_held(values))
    apart = np.abs(days[:, None] - days[None, :])
    alike, share = line.ALIKE[place], line.SHARE[place]
    covariance = share * alike**apart + (1 - share) * np.eye(len(days))
    centred = np.c_[np.ones(len(days)), days - days.mean()]
    theirs = statsmodels.api.GLS(noise.strays_held(values), centred, sigma=covariance).fit()
    wider = 1 + line._WIDER / len(days)
    assert (found.level[place], found.slope[place]) == pytest.approx(theirs.params)
    assert (found.level_error[place], found.slope_error[place]) == pytest.approx(theirs.bse * wider)


def test_student_s_distribution_is_scipy_s() -> None:
    t = np.linspace(-8, 8, 161)
    for freedom in (6.0, 10.0, 30.0, 120.0):
        assert line.student_cdf(t, freedom) == pytest.approx(stats.t.cdf(t, freedom), abs=0.002)


def test_trend_through_many_independent_points_has_little_more_than_scipy_s_interval() -> None:
    rng = np.random.default_rng(3)
    days = np.arange(122.0)
    widths = []
    for _ in range(20):
        values = rng.standard_normal(122) + 0.05 * days
        found, expected = trend.trend(days, values), stats.linregress(days, values)
        assert found.rising and not found.falling and found.low < found.slope < found.high
        assert found.slope == pytest.approx(expected.slope, abs=2 * expected.stderr)
        widths.append((found.high - found.low) / (2 * stats.t.ppf(0.975, 120) * expected.stderr))
    assert 0.95 < np.median(widths) < 1.3
    assert found.at(50.0) == pytest.approx(2.5, abs=0.5)


def test_too_little_is_no_trend() -> None:
    assert trend.trend(np.arange(7.0), np.arange(7.0)) is None
    assert trend.trend(np.linspace(0, 6.5, 50), np.arange(50.0)) is None
    with pytest.raises(ValueError, match="four points"):
        line.line(np.arange(3.0), np.arange(3.0))


@pytest.mark.parametrize("points", [8, 20, 60, 122])
def test_interval_holds_the_slope_whatever_the_noise(points) -> None:
    """60 series of each noise, never-tuned seeds (`make trends` has more): all together, and each one."""
    days, runs = np.arange(float(points)), 60
    for name, stated in STATED.items():
        rng = np.random.default_rng(processes.NEVER_TUNED + points)
        held = 0
        for values in processes.noise(rng, name, (runs, points)):
            found = trend.trend(days, values + 0.01 * days)
            held += found.low <= 0.01 <= found.high
        print(f"figure: trend of {points} points, {name}: the 95 % interval holds in {held} of {runs}")
        assert held >= stats.binom.ppf(0.001, runs, stated), name


def test_young_hourly_logs_seldom_show_a_trend() -> None:
    """Days alike by 0.8: nothing before eight days, then in no more than one of twenty and chance."""
    shown = tried = 0
    for days in (2, 5, 10, 20):
        for seed in range(5):
            rng = np.random.default_rng(processes.NEVER_TUNED + seed)
            made = processes.machine(rng, days=days, every_days=1 / 24, wander=0.1)
            lines = series.particle_series(made).trends
            if days < 7:
                assert lines == [None] * 4
            shown += any(one is not None and (one.rising or one.falling) for one in lines)
            tried += days > 7
    assert shown <= stats.binom.ppf(0.999, tried, 0.1)
