"""Chance of meeting a target, against SciPy and against the distribution that `check` prints; the states'
rules."""

import numpy as np
import pytest
from machine_years import START
from scipy import stats
from skidwright.checks.limits import CheckLimits
from skidwright.config import Asset
from skidwright.judgement import targets
from skidwright.samples import history
from skidwright.trade.counting import scale_probabilities

EXACT = CheckLimits(volume_uncertainty_percent=0.0)


def of_counts(counts, volume_ml=10.0, **more):
    when = START + np.arange(len(counts)).astype("timedelta64[h]")
    return history.of_arrays(when, np.array(counts), volume_ml, **more)


def test_one_sample_has_the_chance_that_check_prints() -> None:
    """The mid-P distribution of `trade.counting`, whose reference is SciPy (tests/references)."""
    counts = np.array([[24_900, 6_450, 810]])
    expected = scale_probabilities(counts, 10.0)[0].cumsum(axis=1)[[0, 1, 2], [18, 16, 13]]
    found = targets.at_or_below(counts, np.array([10.0]), (18, 16, 13), EXACT)
    assert found == pytest.approx(expected, abs=1e-6)
    # with 3 % volume uncertainty joined to the count one way there and another way here
    spread = CheckLimits(volume_uncertainty_percent=3.0)
    wide = scale_probabilities(counts, 10.0, 0.03)[0].cumsum(axis=1)[[0, 1, 2], [18, 16, 13]]
    assert targets.at_or_below(counts, np.array([10.0]), (18, 16, 13), spread) == pytest.approx(
        wide, abs=0.015
    )


def test_median_of_three_against_draws() -> None:
    """200,000 draws of true concentrations by SciPy's gamma (half of each of Garwood's two), common volume
    error.

    The limit of scale number 13 is 80 particles per mL (ISO 4406:2021, table 1).
    """
    rng = np.random.default_rng(1)
    counts = np.array([[790, 790, 790], [815, 815, 815], [760, 760, 760]])
    n = 200_000
    shape = counts[:, :1] + rng.integers(0, 2, (3, n))
    error = 1 + 0.03 * rng.standard_normal(n)
    true = stats.gamma.rvs(shape, random_state=rng) / (10.0 * error)
    expected = (np.median(true, axis=0) <= 80).mean()
    limits = CheckLimits(volume_uncertainty_percent=3.0)
    found = targets.at_or_below(counts, np.full(3, 10.0), (13, 13, 13), limits)
    assert found == pytest.approx([expected] * 3, abs=0.006)


def test_of_two_samples_both_must_be_below() -> None:
    counts = np.array([[790, 790, 790], [815, 815, 815]])
    each = [targets.at_or_below(counts[i : i + 1], np.array([10.0]), (13, 13, 13), EXACT) for i in (0, 1)]
    assert targets.at_or_below(counts, np.full(2, 10.0), (13, 13, 13), EXACT) == pytest.approx(
        each[0] * each[1]
    )


@pytest.mark.parametrize(
    ("ratio", "state"),
    [(0.8, targets.MET), (0.995, targets.OPEN), (1.005, targets.OPEN), (1.3, targets.NOT_MET)],
)
def test_state_follows_from_code_and_chance(ratio, state) -> None:
    """At >=14 um(c) so many times the limit of 13, counted in 10 mL; the other channels far below."""
    counts = [[5_000, 2_000, round(800 * ratio), 100]] * 3
    found = targets.target_state(of_counts(counts), Asset(1, target=(18, 16, 13)), EXACT)
    assert found.state == state
    # 500 per mL is 16, 200 is 15, 80 is 13 and more than that 14 (ISO 4406:2021, table 1)
    assert found.code == (16, 15, 13 if ratio <= 1 else 14)
    assert found.worst == 2 and found.samples == 3
    assert found.chance == pytest.approx(found.chances[2])


def test_newest_three_valid_samples_decide() -> None:
    bad = [9_999_999, 9_999_999, 9_999_999, 9_999_999]
    good = [5_000, 2_000, 400, 100]
    made = of_counts([bad, good, bad, good, good], counts_verdict=[0, 0, 2, 0, 0])
    assert targets.target_state(made, Asset(1, target=(18, 16, 13)), EXACT).state == targets.MET
    # a median of three sheds one wild sample among them
    made = of_counts([good, bad, good])
    assert targets.target_state(made, Asset(1, target=(18, 16, 13)), EXACT).state == targets.MET


def test_nothing_valid_or_no_target() -> None:
    none = of_counts([[1, 1, 1, 1]], counts_verdict=2)
    assert targets.target_state(none, Asset(1, target=(18, 16, 13)), EXACT).state == targets.NO_VALID
    some = of_counts([[1000, 100, 10, 1]])
    assert targets.target_state(some, Asset(1), EXACT).state == targets.NO_TARGET


def test_a_target_for_21um_is_judged_too() -> None:
    from skidwright.register.model import AssetRecord

    story = of_counts([[5000, 1800, 200, 60]] * 3)
    # 60 in 10 mL is 6 per mL: more than 5 and up to 10 is scale number 10 (ISO 4406:2021, table 1).
    for most, state in ((10, targets.MET), (8, targets.NOT_MET)):
        record = AssetRecord(1, target=(18, 16, 13), target_21um=most)
        found = targets.target_state(story, record, EXACT)
        assert (found.state, found.above[3], len(found.code)) == (state, 10 - most, 3)
