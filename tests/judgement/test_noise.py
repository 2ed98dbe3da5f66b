"""How points scatter and how alike they are: against statsmodels and SciPy, and what charts make of it."""

import numpy as np
import pytest
from machine_years import first_order
from scipy import stats
from skidwright.judgement import charts, noise, points
from statsmodels.tsa.arima.model import ARIMA
from statsmodels.tsa.statespace.sarimax import SARIMAX


@pytest.mark.parametrize(("share", "alike"), [(1.0, 0.5), (0.9, 0.9), (0.7, 0.6), (0.4, 0.3), (0.0, 0.8)])
def test_forecast_is_that_of_a_kalman_filter(share, alike) -> None:
    """One point ahead of 200, by statsmodels with the same model; what lies further back is left out."""
    values = np.random.default_rng(1).standard_normal(200)
    weights = noise.Noise(np.ones(1), np.array([share]), np.array([alike])).forecast_weights()[:, 0]
    model = SARIMAX(values, order=(1, 0, 0), measurement_error=True)
    expected = model.filter([alike, 1 - share, share * (1 - alike**2)]).forecast(1)[0]
    assert weights @ values[-1 : -noise.MEMORY - 1 : -1] == pytest.approx(expected, abs=0.02)


def test_long_run_variance_is_that_of_the_mean() -> None:
    """`more` against the variance of means of 2,000 points, 400 of them, within four standard errors."""
    rng = np.random.default_rng(2)
    found = noise.Noise(np.ones(1), np.array([0.8]), np.array([0.7])).more[0]
    means = [
        np.mean(np.sqrt(0.8) * first_order(rng, 2000, 0.7) + np.sqrt(0.2) * rng.standard_normal(2000))
        for _ in range(400)
    ]
    assert 2000 * np.var(means) == pytest.approx(found, rel=4 * np.sqrt(2 / 400))


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.8, 0.9])
def test_cautious_model_seldom_wanders_less_than_the_truth(alike) -> None:
    """200 series of 90 points: the best fit wanders less than the truth in nearly half of them, what is taken
    in few."""
    rng = np.random.default_rng(3)
    rows = np.stack([first_order(rng, 90, alike) for _ in range(200)])
    half, known = noise.half_variances(rows), np.full(200, 90.0)
    truth = (1 + alike) / (1 - alike)
    cautious = noise.fitted(half, known, noise.CHANCE).more
    best = noise.fitted(half, known, 0.0).more
    print(
        f"figure: 90 points alike by {alike}: the model taken wanders as much as the truth or more in "
        f"{np.mean(cautious >= 0.99 * truth):.0%}, the best fit in {np.mean(best >= 0.99 * truth):.0%}"
    )
    assert np.all(cautious >= best)
    assert np.mean(cautious >= 0.99 * truth) >= 0.7


def _drawn(alike, number, rise=None):
    """A year of points of `number` series that wander by 0.1, independent noise of 0.04 beside it."""
    rng = np.random.default_rng(4)
    values = np.stack([0.1 * first_order(rng, 365, alike) for _ in range(number)], axis=1)
    values += 0.04 * rng.standard_normal(values.shape)
    if rise is not None:
        values += rise[:, None]
    return points.Points(np.arange(365.0), values, np.full(365, 24), np.full(number, 0.003))


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.8, 0.9])
def test_stated_rate_holds_however_alike_points_are(alike) -> None:
    """A year of 300 series, as many as 60 assets have: stated are 0.1 alarms a year for five series.

    That is 60 * 0.1 * 313 / 365 = 5.1 alarms; 13 or more would be rarer than one in 300.
    """
    found = charts.charts(_drawn(alike, 300))
    told = charts.alarms(found)
    print(f"figure: points alike by {alike}: {len(told)} chart alarms in 300 years of a series, stated 5.1")
    assert len(told) <= 12


@pytest.mark.parametrize("alike", [0.0, 0.5, 0.8, 0.9])
def test_one_code_at_once_is_seen_the_same_day(alike) -> None:
    found = charts.charts(_drawn(alike, 60, np.where(np.arange(365) >= 250, 1.0, 0.0)))
    assert found.up[250].mean() >= 0.95


def test_a_jump_back_to_usual_is_no_rise() -> None:
    """Three weeks a scale number lower, then as before: an alarm downward, none upward at the return."""
    found = charts.charts(_drawn(0.8, 40, np.where(abs(np.arange(365) - 260) <= 10, -1.0, 0.0)))
    assert found.down[250].mean() >= 0.9
    assert found.up[271:280].any(axis=0).mean() <= 0.5


def test_noise_against_the_likeliest_model_of_statsmodels() -> None:
    """First-order noise: correlation and variance by `ARIMA(1, 0, 0)` (maximum likelihood) on the same
    data."""
    rng = np.random.default_rng(5)
    for alike in (0.3, 0.6, 0.8):
        values = np.stack([2 * first_order(rng, 366, alike) for _ in range(30)])
        found = noise.noise_of(values, np.zeros(30))
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
    before, after = (noise.noise_of(rows, np.zeros(20)) for rows in (plain, changed))
    assert np.median(before.sd) == pytest.approx(1.0, rel=0.05)
    assert np.median(after.sd) == pytest.approx(1.0, rel=0.2)
    assert np.median(before.more) == 1.0
    assert np.median(after.more) < 2.5


def test_held_deviation_of_normal_values_is_theirs() -> None:
    """The factor for values held at 3 standard deviations, by SciPy's integral of the normal density."""
    expected = stats.norm.expect(lambda z: min(z * z, 9.0))
    assert expected == pytest.approx(noise._HELD_VARIANCE, abs=1e-4)
