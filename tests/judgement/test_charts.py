"""Control charts: run lengths against published ones and a simulation, the chart itself against
statsmodels."""

from pathlib import Path

import numpy as np
import processes
import pytest
from machine_years import START, first_order, step, years
from scipy import stats
from skidwright.judgement import changes, charts, noise, points, run_length, series
from statsmodels.tsa.holtwinters import SimpleExpSmoothing
from trends import clean_years, delay


@pytest.mark.parametrize(
    ("weight", "limit"), [(0.4, 3.054), (0.25, 2.998), (0.2, 2.962), (0.1, 2.814), (0.05, 2.615)]
)
def test_run_length_500_of_lucas_and_saccucci(weight, limit) -> None:
    """Pairs for an average run length of 500: Lucas and Saccucci, Technometrics 32, 1990, table (from
    memory)."""
    assert run_length.ewma_run_length(weight, limit) == pytest.approx(500, rel=0.01)
    assert run_length.ewma_limit(weight, 500.0) == pytest.approx(limit, abs=0.003)


def test_run_lengths_of_shifted_means() -> None:
    """Weight 0.1, limit 2.814, shifts of 0.25, 0.5, 1 and 2: the same table (from memory)."""
    found = [run_length.ewma_run_length(0.1, 2.814, shift) for shift in (0.25, 0.5, 1.0, 2.0)]
    assert found == pytest.approx([106, 31.3, 10.3, 4.36], rel=0.01)


def test_run_length_against_a_simulation() -> None:
    """4,000 charts of independent normal points, weight 0.2, limit 2.0."""
    rng = np.random.default_rng(1)
    lengths = np.zeros(4000)
    value, running, t = np.zeros(4000), np.ones(4000, bool), 0
    top = 2.0 * np.sqrt(0.2 / 1.8)
    while running.any():
        t += 1
        value = 0.8 * value + 0.2 * rng.standard_normal(4000)
        out = running & (np.abs(value) > top)
        lengths[out] = t
        running &= ~out
    error = lengths.std() / np.sqrt(4000)
    assert run_length.ewma_run_length(0.2, 2.0) == pytest.approx(lengths.mean(), abs=3 * error)


def test_limits_of_single_values() -> None:
    """Three standard deviations: once in 370.4 points (D. C. Montgomery's textbook, from memory), by SciPy
    too."""
    assert run_length.single_limit(1 / (2 * stats.norm.sf(3))) == pytest.approx(3.0)
    assert run_length.single_limit(370.4) == pytest.approx(3.0, abs=1e-4)


def test_student_limit_is_scipy_s_quantile() -> None:
    for freedom in (8, 10, 20, 60, 200):
        for limit in (2.0, 3.0, 4.2):
            expected = stats.t.isf(stats.norm.sf(limit), freedom)
            # the series is short: at 8 degrees of freedom it falls short by a hundredth
            assert run_length.student_limit(limit, freedom) == pytest.approx(expected, rel=0.012)


def test_ewma_is_that_of_statsmodels() -> None:
    rng = np.random.default_rng(2)
    residuals = rng.standard_normal((100, 2))
    for k in range(2):
        fitted = SimpleExpSmoothing(residuals[:, k], initialization_method="known", initial_level=0.0).fit(
            smoothing_level=charts.WEIGHT, optimized=False
        )
        assert charts._ewma(residuals)[:, k] == pytest.approx(fitted.level)


def test_variance_of_an_average_of_alike_points() -> None:
    """The formula for first-order noise against 20,000 simulated points."""
    values = first_order(np.random.default_rng(3), 20_000, 0.6)
    average = np.zeros(20_000)
    for i in range(1, 20_000):
        average[i] = 0.8 * average[i - 1] + 0.2 * values[i]
    found = noise.Noise(np.ones(1), np.ones(1), np.array([0.6])).of_average(0.2)
    assert found[0] == pytest.approx(average[100:].var(), rel=0.08)


def test_a_point_is_judged_by_what_was_before_it() -> None:
    whole = points.count_points(years(np.random.default_rng(4), every_h=24, days=300, rise=step(200, 1.0)))
    early = points.Points(whole.days[:190], whole.values[:190], whole.samples[:190], whole.floor)
    one, other = charts.charts(whole), charts.charts(early)
    for name in ("usual", "sd", "single", "ewma", "ewma_limit", "ewma_lower", "jump"):
        assert np.allclose(getattr(one, name)[:190], getattr(other, name), atol=1e-12, equal_nan=True), name


def test_a_few_points_are_not_charted_and_never_an_error() -> None:
    whole = points.count_points(years(np.random.default_rng(4), every_h=24, days=130))
    first = charts.LEAST_BASELINE + charts.GUARD
    for n in range(1, len(whole.days) + 1):
        found = charts.charts(points.Points(whole.days[:n], whole.values[:n], whole.samples[:n], whole.floor))
        assert np.isnan(found.single[:first]).all()
        assert np.isfinite(found.single[first:]).all() and np.isfinite(found.ewma[first:]).all()


def test_a_rise_is_an_alarm_and_a_fall_is_told_apart() -> None:
    made = years(np.random.default_rng(5), every_h=24, rise=step(300, 1.0))
    found = charts.alarms(charts.charts(points.count_points(made)))
    assert {one.series for one in found if one.up} >= {0, 1, 2} and all(one.up for one in found)
    first = START.astype(np.int64) / 86_400_000
    days = points.count_points(made).days
    assert min(days[one.first] for one in found) - first == pytest.approx(
        301, abs=1.5
    )  # the second of two days in a row
    fallen = years(np.random.default_rng(5), every_h=24, rise=step(300, -1.0))
    assert not any(one.up for one in charts.alarms(charts.charts(points.count_points(fallen))))


def test_one_odd_sample_is_no_alarm_and_a_day_of_many_is() -> None:
    """One sample two scale numbers high, with a sample a day; a day of 24 of them on an hourly machine."""
    day = lambda at: np.where((at >= 300) & (at < 301), 2.0, 0.0)  # noqa: E731
    odd = years(np.random.default_rng(6), every_h=24, rise=day)
    assert not charts.alarms(charts.charts(points.count_points(odd)))
    hourly = years(np.random.default_rng(6), every_h=1, wander=0.1, rise=day)
    whole = series.in_detail(points.count_points(hourly))
    assert any(one.up for one in charts.alarms(charts.charts(whole)))


def test_held_deviation_of_normal_values_is_theirs() -> None:
    """That of a standard normal value held at 2.5, by SciPy's integral of the normal density."""
    expected = np.sqrt(stats.norm.expect(lambda z: min(z * z, charts._HELD**2)))
    assert expected == pytest.approx(charts._LEAST_HELD_SD, abs=2e-3)


def test_false_alarms_on_a_plant_floor() -> None:
    """Years of machines that the charts were not made with, never-tuned seeds (`make trends` has more).

    Stated: 0.1 a year. So many in all would be rarer than one in a thousand.
    """
    told = tried = 0
    for name in processes.NOISES:
        for seed in range(2):
            rng = np.random.default_rng(processes.NEVER_TUNED + seed)
            whole = series.in_detail(points.count_points(processes.machine(rng, name)))
            told += len(charts.alarms(charts.charts(whole)))
            tried += 1
    for how in ({"per_ml": processes.FEW_PER_ML}, {"missing": True}):
        for seed in range(2):
            rng = np.random.default_rng(processes.NEVER_TUNED + seed)
            whole = series.in_detail(points.count_points(processes.machine(rng, **how)))
            told += len(charts.alarms(charts.charts(whole)))
            tried += 1
    print(f"figure: {told} chart alarms in {tried} years of machines on a plant floor")
    assert told <= stats.poisson.isf(1e-3, 0.1 * tried)


@pytest.mark.slow
@pytest.mark.timeout(900)
def test_false_alarms_in_a_few_clean_years() -> None:
    """15 years; stated is 0.1 a year, of which more than 6 in 15 would be rarer than one in a thousand."""
    found = clean_years(15, every_h=24)
    print(
        f"figure: 15 clean years (`make trends` has 200): {found['charts']:.2f} chart alarms and "
        f"{found['changes']:.2f} changes a year, {found['trends']:.1%} of trends, {found['hints']:.2f} hints"
    )
    assert found["charts"] * 15 <= stats.poisson.isf(1e-3, 1.5)
    assert found["changes"] * 15 <= stats.poisson.isf(1e-3, 1.5)
    assert found["trends"] <= 0.15
    assert found["hints"] <= 0.2


@pytest.mark.slow
def test_delay_of_a_one_code_rise() -> None:
    by_chart, by_change, _ = delay(step(250, 1.0), 250, seed=1)
    assert by_chart <= 2
    assert by_change <= 12


def test_what_is_stated_is_what_is_made_for() -> None:
    """docs/judgement.md states the rates and rules that the code holds."""
    text = " ".join((Path(__file__).parents[2] / "docs" / "judgement.md").read_text("utf-8").split())
    assert (
        f"at most {charts.FALSE_ALARMS_PER_YEAR:g} false alarms a year of {charts.POINTS_PER_YEAR} points"
        in text
    )
    assert changes.penalty_for(400) == 25 + 400 / 400 and "25 + 400 / points" in text
    assert f"up to {charts.BASELINE} points" in text
    assert f"The first {charts.LEAST_BASELINE + charts.GUARD} points have no chart" in text
    assert f"newest {points.MOST_POINTS} points" in text
    assert f"(weight {charts.WEIGHT:g})" in text
