"""Counting statistics against published limits, scipy and simulation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from skidwright.formulas import coincidence, comparison, counting, iso4406
from statsmodels.stats.rates import confint_poisson, test_poisson_2indep
from uncertainties import ufloat

# a function under test here, not a test
test_poisson_2indep.__test__ = False


@pytest.mark.parametrize(
    ("count", "low", "high"),
    # N. Gehrels, Astrophysical Journal 303, 1986, and E. S. Pearson and H. O. Hartley, Biometrika Tables,
    # table 40 (two-sided 95 % limits of a Poisson mean): from memory, two decimals.
    [
        (0, 0.0, 3.69),
        (1, 0.0253, 5.57),
        (2, 0.242, 7.22),
        (5, 1.62, 11.67),
        (10, 4.80, 18.39),
        (20, 12.22, 30.89),
    ],
)
def test_garwood_limits_as_printed(count: int, low: float, high: float) -> None:
    found = counting.expected_counts(count)
    assert found[0] == pytest.approx(low, abs=0.005)
    assert found[1] == pytest.approx(high, abs=0.005)


@pytest.mark.parametrize("confidence", [0.68, 0.9, 0.95, 0.99])
def test_garwood_limits_by_chi_square(confidence: float) -> None:
    # The textbook form, with scipy's chi-square quantile.
    n = np.concatenate([np.arange(1, 2000), [12345, 1_000_000]])
    tail = (1 - confidence) / 2
    low, high = counting.expected_counts(n, confidence)
    np.testing.assert_allclose(low, stats.chi2.ppf(tail, 2 * n) / 2, rtol=1e-9)
    np.testing.assert_allclose(high, stats.chi2.ppf(1 - tail, 2 * n + 2) / 2, rtol=1e-9)


@pytest.mark.parametrize("count", [0, 1, 7, 19, 20, 63, 399, 400, 12_345])
def test_garwood_limits_by_statsmodels(count: int) -> None:
    # an implementation of its own of the exact central interval
    low, high = confint_poisson(count, 1, method="exact-c", alpha=0.05)
    found = counting.expected_counts(count)
    assert (float(found[0]), float(found[1])) == pytest.approx((float(low), float(high)), rel=1e-9)


@pytest.mark.parametrize(("a", "va", "b", "vb"), [(1600, 10, 1900, 10), (13, 10, 25, 10), (3, 30, 9, 12)])
def test_two_samples_by_statsmodels(a: int, va: float, b: int, vb: float) -> None:
    # the conditional exact test of two Poisson rates; ours doubles the smaller tail, as the limits need it
    pair = (a, va, b, vb)
    tails = [
        test_poisson_2indep(*pair, method="exact-cond", alternative=side).pvalue
        for side in ("larger", "smaller")
    ]
    assert comparison.compare(*pair).p_value == pytest.approx(min(1, 2 * min(tails)), rel=1e-6)


def test_volume_uncertainty_adds_as_variances_do() -> None:
    # First-order propagation by the independent package uncertainties, for a count large enough for it.
    count, volume, relative = 40_000, 25.0, 0.02
    plain = ufloat(count, math.sqrt(count)) / ufloat(volume, volume * relative)
    low, high = counting.interval(count, volume, 0.6826894921, relative)
    assert (high - low) / 2 == pytest.approx(plain.std_dev, rel=0.005)
    assert low < plain.nominal_value < high


@pytest.mark.parametrize(
    ("true_per_ml", "relative", "sensing_ml"),
    [(2.0, 0.0, 0.0), (30.0, 0.02, 0.0), (500.0, 0.03, 0.0), (4000.0, 0.01, 5e-5), (0.6, 0.05, 0.0)],
)
def test_95_percent_intervals_hold_the_truth(true_per_ml: float, relative: float, sensing_ml: float) -> None:
    # Simulated samples: the volume really drawn scatters about the volume the meter says.
    rng = np.random.default_rng(11)
    trials, volume_ml = 40_000, 30.0
    drawn = volume_ml * np.exp(relative * rng.normal(size=trials))
    counts = rng.poisson(coincidence.observed(true_per_ml, sensing_ml) * drawn)
    low, high = counting.interval(counts, volume_ml, 0.95, relative, sensing_ml)
    held = np.mean((low <= true_per_ml) & (true_per_ml <= high))
    # Garwood's limits are never too narrow; with few counts they are wider than they need be.
    assert 0.945 <= held <= (0.97 if true_per_ml * volume_ml > 50 else 0.985)


def test_probabilities_of_scale_numbers_are_kept() -> None:
    # Of many samples given a probability near p for the number that is true, a share p should be right.
    rng = np.random.default_rng(5)
    true = 10 ** rng.uniform(0, 4, 120_000)
    counts = rng.poisson(true * 2.0)
    inside = (counts > 10) & (counts < 5000)  # away from the ends of what was drawn
    true, counts = true[inside], counts[inside]
    distinct, places = np.unique(counts, return_inverse=True)
    probabilities = counting.scale_probabilities(distinct, 2.0)
    np.testing.assert_allclose(probabilities.sum(axis=1), 1, rtol=1e-9)
    probabilities = probabilities[places]
    said = probabilities.max(axis=1)
    right = probabilities.argmax(axis=1) == iso4406.scale_numbers(true)
    for low in (0.5, 0.6, 0.7, 0.8, 0.9):
        chosen = (said >= low) & (said < low + 0.1)
        assert np.mean(right[chosen]) == pytest.approx(np.mean(said[chosen]), abs=0.025)


def test_probabilities_by_scipy_in_a_plain_case() -> None:
    # 25 particles in 10 mL against the limit 2.5 per mL between numbers 8 and 9: exactly on the limit.
    row = counting.scale_probabilities(25, 10.0)
    below = (stats.gamma.cdf(25, 25) + stats.gamma.cdf(25, 26)) / 2
    assert row[:9].sum() == pytest.approx(below, abs=1e-9)
    assert counting.probability_text(row) == "9 (51 %), 8 (49 %)"


def test_volume_uncertainty_and_coincidence_move_probabilities() -> None:
    sharp = counting.scale_probabilities(36_000, 30.0)
    vague = counting.scale_probabilities(36_000, 30.0, volume_uncertainty=0.1)
    assert sharp[17] > 0.999 > vague[17] > 0.7
    assert counting.scale_probabilities(36_000, 30.0, sensing_volume_ml=1e-4)[18] > 0.99
    assert np.isnan(counting.scale_probabilities(36_000, 30.0, sensing_volume_ml=1e-3)).all()
    assert counting.scale_probabilities(360, 3.0, dilution=10)[17] > 0.9


def test_no_particles() -> None:
    low, high = counting.interval(0, 10.0)
    assert low == 0
    assert high == pytest.approx(-math.log(0.025) / 10)  # P(0 particles) = exp(-c V)
    row = counting.scale_probabilities(0, 10.0)
    assert row.sum() == pytest.approx(1)
    assert row.argmax() == 0


def test_interval_beyond_the_counter() -> None:
    low, high = counting.interval([3600, 3670, 5000], 1.0, sensing_volume_ml=1e-4)
    assert np.isfinite(low[:2]).all()
    assert np.isinf(high[:2]).all()
    assert np.isnan(low[2])
    assert np.isnan(high[2])


def test_volume_for_twenty_particles() -> None:
    volume = counting.volume_for_count_ml(2.0)
    assert stats.poisson.sf(19, 2.0 * volume) == pytest.approx(0.95, abs=1e-9)
    assert np.isinf(counting.volume_for_count_ml(0.0))


def test_volume_for_a_number() -> None:
    needed = counting.volume_for_number_ml([900.0, 1299.0, 1300.0, 0.005])
    assert needed[0] < needed[1]
    assert np.isnan(needed[2])
    for per_ml, volume, bottom, top in [(900.0, needed[0], 640, 1300), (1299.0, needed[1], 640, 1300)]:
        for share, wanted in [(1.001, True), (0.99, False)]:
            n = per_ml * volume * share  # textbook form by scipy
            low, high = stats.chi2.ppf(0.025, 2 * n) / 2, stats.chi2.ppf(0.975, 2 * n + 2) / 2
            assert bool(bottom < low / volume / share and high / volume / share <= top) is wanted
    assert np.isnan(counting.volume_for_number_ml(1200.0, volume_uncertainty=0.05))
    one_sided = counting.volume_for_number_ml(900.0, at_most=17)
    assert stats.chi2.ppf(0.95, 2 * 900 * one_sided + 2) / 2 / one_sided == pytest.approx(1300, rel=1e-6)
    assert np.isnan(counting.volume_for_number_ml(1400.0, at_most=17))


@pytest.mark.parametrize(
    ("a", "va", "b", "vb"),
    [(40, 10.0, 60, 10.0), (0, 10.0, 8, 5.0), (500, 30.0, 640, 30.0), (3, 1.0, 90, 30.0)],
)
def test_comparison_by_scipy(a: int, va: float, b: int, vb: float) -> None:
    share = va / (va + vb)
    both = [stats.binomtest(a, a + b, share, alternative=side).pvalue for side in ("less", "greater")]
    exact = stats.binomtest(a, a + b, share).proportion_ci(0.95, "exact")  # Clopper and Pearson
    found = comparison.compare(a, va, b, vb)
    assert found.p_value == pytest.approx(min(1, 2 * min(both)), rel=1e-9)
    odds = vb / va
    assert found.ratio_low == pytest.approx(exact.low / (1 - exact.low) * odds, rel=1e-6, abs=1e-9)
    assert found.ratio_high == pytest.approx(exact.high / (1 - exact.high) * odds, rel=1e-6)


def test_comparison_is_not_fooled_too_often() -> None:
    # Two samples of one fluid are called different in at most 5 % of cases at a p value below 0.05.
    rng = np.random.default_rng(3)
    p = [comparison.p_value_of_same(int(a), 10, int(b), 10) for a, b in rng.poisson(60, (1500, 2))]
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.06
    spread = np.exp(0.05 * rng.normal(size=(400, 2)))
    p = [comparison.p_value_of_same(int(a), 10, int(b), 10, 0.05) for a, b in rng.poisson(2000 * spread)]
    assert 0.02 <= np.mean(np.array(p) < 0.05) <= 0.08
    assert comparison.compare(40, 10, 60, 10).p_value == comparison.p_value_of_same(40, 10, 60, 10)


def test_comparison_without_second_count() -> None:
    found = comparison.compare(9, 10, 0, 10)
    assert math.isinf(found.ratio)
    assert math.isinf(found.ratio_high)
    assert found.p_value == pytest.approx(2 * 0.5**9)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 100_000), st.floats(0.1, 1000), st.floats(0, 0.2), st.floats(0.5, 0.999))
def test_intervals_hold_their_middle_and_grow(
    count: int, volume: float, relative: float, confidence: float
) -> None:
    low, high = counting.interval(count, volume, confidence, relative)
    assert low <= count / volume <= high
    wide = counting.interval(count, volume, confidence, min(relative + 0.05, 0.5))
    if count > 1:
        assert wide.high_per_ml - wide.low_per_ml > high - low


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: counting.interval(-1, 10), "cannot be negative"),
        (lambda: counting.interval(1, 0), "volumes must be above 0"),
        (lambda: counting.interval(1, 1, 1.0), "confidence between 0 and 1"),
        (lambda: counting.interval(1, 1, volume_uncertainty=0.6), "from 0 to 0.5"),
        (lambda: counting.interval(1, 1, dilution=0.5), "below 1"),
        (lambda: comparison.compare(0, 1, 0, 1), "two counts of 0"),
        (lambda: comparison.compare(1.5, 1, 3, 1), "not a whole number"),  # type: ignore[arg-type]
        (lambda: counting.volume_for_number_ml(1.0, at_most=29), "from 0 to 28"),
    ],
)
def test_refusals(call, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=said):
        call()
