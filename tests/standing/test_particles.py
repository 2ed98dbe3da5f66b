"""Chance of meeting a target, against SciPy and against the distribution that `check` prints; the states."""

import numpy as np
import pytest
from machine_years import START
from scipy import stats
from skidwright.checks.limits import CheckLimits
from skidwright.formulas.counting import scale_probabilities
from skidwright.judgement.scatter import Scatter
from skidwright.samples import history
from skidwright.samples.counted import Counted
from skidwright.standing import particles
from skidwright.standing.goals import MET, NO_GOAL, NO_VALID, NOT_MEASURED, NOT_MET, OPEN, Goals

NOW = START + np.timedelta64(1, "D")


EXACT = CheckLimits(volume_uncertainty_percent=0)


def of_counts(counts, volume_ml=10.0, limits=EXACT, **more):
    when = START + np.arange(len(counts)).astype("timedelta64[h]")
    return history.of_arrays(when, np.array(counts), volume_ml, limits=limits, **more)


def goals(target=(18, 16, 13), fourth=None, **more):
    return Goals((*target, fourth), **more)


def counted(counts, volume_ml, spread_percent=0.0, sensing_volume_ml=0.0):
    """Samples with what each is read by: one figure for all, or one for each."""
    each = [
        np.broadcast_to(np.asarray(one, float), len(counts))
        for one in (volume_ml, np.asarray(spread_percent) / 100, sensing_volume_ml)
    ]
    return Counted(np.array(counts), *each)


def chance(counts, volume_ml, limit_per_ml, asked, scatter=None, **read):
    return particles.chance_at_or_below(counted(counts, volume_ml, **read), limit_per_ml, asked, scatter)


def known(sd, freedom=np.inf, series=2):
    """A scatter that is known with so many degrees of freedom, samples not alike."""
    each = np.ones(series)
    return Scatter(sd * each, freedom * each, 0 * each, 0 * each, np.full(series, 50), np.nan)


def states(story, asked):
    return [one.state for one in particles.particles(story, asked, NOW)]


def test_one_sample_has_the_chances_of_scipy() -> None:
    """Garwood's limits turned round: P(Poisson of the limit's mean > n) and >= n, SciPy."""
    counts = np.array([[24_900, 6_450, 810]])
    limit = np.array([2500.0, 640.0, 80.0])  # 18/16/13: ISO 4406:2021, table 1
    found = chance(counts, 10.0, limit, goals())
    assert found.least == pytest.approx(stats.poisson.sf(counts[0], limit * 10), abs=1e-9)
    assert found.most == pytest.approx(stats.poisson.sf(counts[0] - 1, limit * 10), abs=1e-9)
    # and between them lies the mid-P distribution that `check` prints
    mid = scale_probabilities(counts, 10.0)[0].cumsum(axis=1)[[0, 1, 2], [18, 16, 13]]
    assert np.all((found.least - 1e-6 <= mid) & (mid <= found.most + 1e-6))


def test_what_scatters_is_averaged_over_as_by_scipy() -> None:
    """200,000 draws: gamma of n + 1, common volume error, and Student's t of the samples' own scatter.

    Each is drawn by SciPy; the scatter of the mean of three with 4 degrees of freedom is s / sqrt(3) * t.
    """
    rng = np.random.default_rng(1)
    n = 200_000
    counts = [[790, 760], [800, 770], [795, 765]]
    totals = np.array(counts).sum(axis=0)
    for spread, sd, freedom in ((0.03, 0.0, np.inf), (0.01, 0.15, 4.0), (0.0, 0.3, 2.0)):
        shape = totals + 1
        level = stats.gamma.rvs(shape, size=(n, 2), random_state=rng) / 30.0
        level = level * np.exp(spread * rng.standard_normal((n, 1)))
        student = rng.standard_normal((n, 1)) if np.isinf(freedom) else rng.standard_t(freedom, (n, 1))
        level = level * 2 ** (sd / np.sqrt(3) * student)
        found = chance(counts, 10.0, [80.0, 80.0], goals(), known(sd, freedom),
                       spread_percent=100 * spread)  # fmt: skip
        # Welch and Satterthwaite join the two; where one is much larger that is exact
        assert found.least == pytest.approx((level <= 80).mean(axis=0), abs=0.01), (spread, sd)


def test_of_three_that_differ_the_middle_decides_of_two_the_worse() -> None:
    wild, low = [9_000, 9_000], [700, 700]
    assert min(chance([low, wild, low], 10.0, [80.0, 80.0], goals()).least) > 0.95
    assert max(chance([low, wild, wild], 10.0, [80.0, 80.0], goals()).most) < 0.05
    assert max(chance([low, wild], 10.0, [80.0, 80.0], goals()).most) < 0.05
    # a fluid that is received: none may be outvoted
    assert max(chance([low, wild, low], 10.0, [80.0, 80.0], goals(each=True)).most) < 0.05


def test_limits_are_the_chances_turned_round() -> None:
    for spread_percent, scatter in ((2.0, known(0.15, 5.0, 5)), (0.0, None)):
        part = particles.scatter_of(scatter, slice(0, 1))
        samples = counted([[790], [800], [795]], 10.0, spread_percent)
        high = particles.limit_of_level(samples, goals(), part, True)
        low = particles.limit_of_level(samples, goals(), part, False)
        at_high = particles.chance_at_or_below(samples, [high], goals(), part)
        at_low = particles.chance_at_or_below(samples, [low], goals(), part)
        assert (at_high.least[0], at_low.most[0]) == pytest.approx((0.95, 0.05), abs=1e-3)
    # the last: Garwood's limits by SciPy's chi-square
    assert high == pytest.approx(stats.chi2.ppf(0.95, 2 * 2386) / 2 / 30, rel=1e-4)
    assert low == pytest.approx(stats.chi2.ppf(0.05, 2 * 2385) / 2 / 30, rel=1e-4)


@pytest.mark.parametrize(("ratio", "state"), [(0.8, MET), (0.995, OPEN), (1.005, OPEN), (1.3, NOT_MET)])
def test_state_follows_from_the_chance(ratio, state) -> None:
    """At >=14 um(c) so many times the limit of 13, counted in 10 mL; the other channels far below."""
    counts = [[5_000, 2_000, round(800 * ratio), 100]] * 3
    found = particles.particles(of_counts(counts), goals(), NOW)
    assert [one.state for one in found] == [MET, MET, state, NO_GOAL]
    # 500 per mL is 16, 200 is 15, 80 is 13 and more than that 14 (ISO 4406:2021, table 1)
    assert [one.number for one in found][:3] == [16, 15, 13 if ratio <= 1 else 14]
    assert found[2].above == (0 if ratio <= 1 else 1) and len(found[2].rows) == 3
    assert found[2].limit == 80.0


def test_scatter_opens_what_counting_alone_would_decide() -> None:
    """4 % below the limit, counted exactly: proven by counting, open with 0.15 of a scale number."""
    samples, limit = counted([[768_000]] * 3, 10_000.0), np.array([80.0])
    exact = particles.chance_at_or_below(samples, limit, goals())
    assert exact.least[0] > 0.999
    real = particles.chance_at_or_below(samples, limit, goals(), known(0.15, 30.0, 1))
    # 0.0589 of log2 against 0.15 / sqrt(3): Student's t by SciPy
    expected = stats.t.cdf(np.log2(80 / 76.8) / (0.15 / np.sqrt(3)), 30)
    assert real.least[0] == pytest.approx(expected, abs=0.01)


def test_newest_three_valid_samples_decide() -> None:
    bad = [9_999_999, 9_999_999, 9_999_999, 9_999_999]
    good = [5_000, 2_000, 400, 100]
    made = of_counts([bad, good, bad, good, good], counts_verdict=[0, 0, 2, 0, 0])
    assert states(made, goals())[:3] == [MET] * 3
    made = of_counts([good, bad, good])
    assert states(made, goals())[:3] == [MET] * 3


def test_nothing_valid_nothing_measured_or_no_target() -> None:
    none = of_counts([[1, 1, 1, 1]], counts_verdict=2)
    assert states(none, goals()) == [NO_VALID] * 4
    absent = history.of_arrays(START + np.arange(2).astype("timedelta64[h]"))
    assert states(absent, goals()) == [NOT_MEASURED] * 4
    some = particles.particles(of_counts([[1000, 100, 10, 1]]), Goals(), NOW)
    assert {one.state for one in some} == {NO_GOAL} and some[0].value == 100.0


def test_a_target_for_21um_is_judged_too() -> None:
    story = of_counts([[5000, 1800, 200, 60]] * 3)
    # 60 in 10 mL is 6 per mL: more than 5 and up to 10 is scale number 10 (ISO 4406:2021, table 1).
    for most, state in ((10, MET), (8, NOT_MET)):
        found = particles.particles(story, goals(fourth=most), NOW)[3]
        assert (found.state, found.above) == (state, 10 - most)


def test_a_count_beyond_the_counter_meets_nothing() -> None:
    """With a sensing volume of 1e-5 mL a counter shows at most 1 / (e v) = 36,788 per mL."""
    asked = Goals((24, None, None, None))
    found = chance([[400_000]], 10.0, np.array([160_000.0]), asked, sensing_volume_ml=1e-5)
    assert found.least[0] == 0


def test_a_count_in_no_volume_proves_nothing(recwarn: pytest.WarningsRecorder) -> None:
    """What a damaged record may say: neither met nor not met, and no warning of numpy reaches a user."""
    counts, limit = np.array([[500, 9], [0, 0], [400, 8]], np.uint32), np.array([20.0, np.nan])
    found = chance(counts, [30.0, 0.0, 30.0], limit, Goals())
    assert found.least[0] == 0 and found.most[0] == 1 and np.isnan([found.least[1], found.most[1]]).all()
    assert not recwarn.list


def test_each_sample_is_read_by_what_it_was_taken_with() -> None:
    """One fluid of 20,000 per mL, counted before and after a counter with another sensing volume was fitted.

    Coincidence by hand: 20,000 exp(-20,000 v) is seen (Knoll, chapter 4), 16,375 for 1e-5 mL, all for none.
    The chance of both together by SciPy, from the sum of what either shows of the limit.
    """
    sensing = np.array([0.0, 1e-5])
    seen = np.rint(10 * 20_000 * np.exp(-20_000 * sensing)).astype(int)
    assert seen.tolist() == [200_000, 163_746]
    samples = counted(seen[:, None], 10.0, sensing_volume_ml=sensing)
    assert particles.one_fluid(samples)
    assert not particles.one_fluid(counted(seen[:, None], 10.0))
    for limit in (19_950.0, 20_020.0, 20_080.0):
        found = particles.chance_at_or_below(samples, [limit], Goals((21, None, None, None)))
        shows = 10 * limit * np.exp(-limit * sensing)
        assert found.least[0] == pytest.approx(stats.poisson.sf(seen.sum(), shows.sum()), abs=1e-9)
    # Of two uncertainties of the volume the larger one counts, wherever it stands: 2 % of 200,000 outweighs
    # counting, so 2 % above the level is one sigma.
    wide = [
        chance([[200_000]] * 2, 10.0, [20_400.0], goals(), spread_percent=pair) for pair in ((0, 2), (2, 0))
    ]
    assert wide[0] == wide[1]
    assert wide[0].least[0] == pytest.approx(stats.norm.cdf(np.log(1.02) / 0.02), abs=0.01)
