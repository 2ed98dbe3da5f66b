"""Scatter of single samples: against what made them, through steps and drifts, and from few samples."""

import numpy as np
import pytest
from machine_years import START, step, years
from scipy import stats
from skidwright.judgement import scatter
from skidwright.samples import history


def made(rng, n, sd, above=0.0, per_ml=2500.0, volume_ml=30.0):
    """`n` daily samples of a machine so far above `per_ml` >=4 um(c), with counts of the other sizes."""
    mean = per_ml * (1 + above) * np.exp2(sd * rng.standard_normal((n, 1))) * (1, 0.3, 0.05, 0.01)
    days = (np.arange(n) * 86_400_000).astype("timedelta64[ms]")
    return history.of_arrays(START + days, rng.poisson(mean * volume_ml), volume_ml)


@pytest.mark.parametrize("sd", [0.07, 0.15, 0.3])
def test_a_long_history_gives_its_own_scatter(sd) -> None:
    found = scatter.between_samples(made(np.random.default_rng(901), 400, sd))
    assert found.sd[:2] == pytest.approx(sd, rel=0.15)
    assert (found.freedom[:2] > 80).all() and found.samples[0] == 400
    assert (found.alike[:2] < 0.3).all() and (found.alike_error[:2] < 0.1).all()


def test_steps_and_drifts_are_no_scatter() -> None:
    rng = np.random.default_rng(902)
    plain = years(rng, days=200, scatter=0.1, own=0.0)
    moved = years(
        rng, days=200, scatter=0.1, own=0.0, rise=lambda at: step(60, 2.0)(at) - step(140, 1.5)(at) + at / 200
    )
    before, after = scatter.between_samples(plain), scatter.between_samples(moved)
    assert after.sd[0] < 1.4 * before.sd[0] and after.sd[0] < 0.14


def test_without_samples_it_is_the_usual_one_with_little_behind_it() -> None:
    found = scatter.between_samples(made(np.random.default_rng(903), 1, 0.3))
    assert found.sd[:4].tolist() == [scatter.USUAL_SCALE_NUMBERS] * 4
    assert found.freedom.tolist() == [scatter.USUAL_FREEDOM] * 5
    assert found.variance_of_mean(1)[0] == pytest.approx(found.sd[0] ** 2)


def test_water_is_carried_to_one_temperature() -> None:
    found = scatter.between_samples(years(np.random.default_rng(904), days=300))
    assert found.water_at_c == 45 and found.samples[4] == 300
    # half a percent as made, and what a kelvin of temperature noise moves the carried reading by
    assert 0.5 < found.sd[4] < 2.0


@pytest.mark.parametrize(("n", "sd"), [(1, 0.3), (3, 0.07), (3, 0.3), (8, 0.3), (60, 0.15)])
def test_a_machine_just_above_its_limit_is_seldom_called_below_it(n, sd) -> None:
    """Student's statement with 95 % on the mean of the newest three: wrong in at most 5 of 100, by SciPy's
    t."""
    rng = np.random.default_rng(905)
    runs, wrong = 300, 0
    for _ in range(runs):
        one = made(rng, n, sd, above=0.0005)
        found = scatter.between_samples(one)
        newest = np.log2(one.per_ml[-3:, 0])
        error = np.sqrt(found.variance_of_mean(len(newest))[0])
        wrong += stats.t.cdf((np.log2(2500) - newest.mean()) / error, found.freedom[0]) >= 0.95
    print(f"figure: scatter {sd}, {n} samples: called met in {wrong} of {runs}")
    # 5 % and two standard errors of a share from so many runs
    assert wrong <= 0.05 * runs + 2 * np.sqrt(0.05 * 0.95 * runs)
