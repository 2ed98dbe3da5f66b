"""Joined uncertainties against the GUM's table and example, SciPy, and the uncertainties package."""

import math

import numpy as np
import pytest
from scipy import stats
from skidwright.calibration.uncertainty import UncertaintyPart, coverage_factor, joined, straight_line
from uncertainties import correlated_values, ufloat


@pytest.mark.parametrize(
    ("freedom", "factor"),
    [
        (1, 12.71),
        (2, 4.30),
        (3, 3.18),
        (4, 2.78),
        (5, 2.57),
        (10, 2.23),
        (20, 2.09),
        (50, 2.01),
        (100, 1.984),
    ],
)
def test_factors_of_the_gums_table(freedom, factor):
    # JCGM 100:2008, table G.2, column p = 95 %.
    assert coverage_factor(freedom) == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize("freedom", [1, 1.7, 2, 3.5, 8, 16.7, 40, 333.3, 1e5, math.inf])
@pytest.mark.parametrize("confidence", [0.68, 0.95, 0.99])
def test_factors_against_scipy(freedom, confidence):
    wanted = stats.t.ppf((1 + confidence) / 2, min(freedom, 1e6))
    assert coverage_factor(freedom, confidence) == pytest.approx(wanted, rel=1e-6)


def test_the_gums_end_gauge():
    # JCGM 100:2008, H.1: parts 25 nm (18), 9.7 nm (25.6), 2.9 nm (50), 16.6 nm (2) give 32 nm with 16
    # effective degrees of freedom, and U99 = 2.92 * 32 = 93 nm.
    found = joined(
        [
            UncertaintyPart("a", 25, 18),
            UncertaintyPart("b", 9.7, 25.6),
            UncertaintyPart("c", 2.9, 50),
            UncertaintyPart("d", 16.6, 2),
        ]
    )
    assert found.standard == pytest.approx(32, abs=0.5)
    assert math.floor(found.freedom) == 16
    assert coverage_factor(16, 0.99) * found.standard == pytest.approx(93, abs=1)


def test_sum_of_squares_against_the_uncertainties_package():
    found = joined([UncertaintyPart("a", 0.3), UncertaintyPart("b", 0.4), UncertaintyPart("c", 1.2)])
    assert found.standard == pytest.approx((ufloat(0, 0.3) + ufloat(0, 0.4) + ufloat(0, 1.2)).std_dev)
    assert found.factor == pytest.approx(1.96, abs=0.001)


def test_one_reading_says_nothing_of_its_scatter():
    with pytest.raises(ValueError):
        coverage_factor(0.5)


# JCGM 100:2008, table H.6: thermometer readings t and the corrections observed, degrees Celsius.
THERMOMETER = [
    (21.521, -0.171), (22.012, -0.169), (22.512, -0.166), (23.003, -0.159), (23.507, -0.164),
    (23.999, -0.165), (24.513, -0.156), (25.002, -0.157), (25.503, -0.159), (26.010, -0.161),
    (26.511, -0.160),
]  # fmt: skip


def test_the_gums_thermometer():
    # JCGM 100:2008, H.3.3 and H.3.4, corrections as b = y1 + y2 (t - 20): y1 = -0.1712 with s = 0.0029,
    # y2 = 0.00218 with s = 0.00067, correlation -0.930, s = 0.0035, and at 30 degrees -0.1494 with 0.0041,
    # 9 degrees of freedom. Table and results written down from memory; the one gives the other.
    line = straight_line([t - 20 for t, _ in THERMOMETER], [b for _, b in THERMOMETER])
    assert line.intercept == pytest.approx(-0.1712, abs=5e-5)
    assert line.intercept_u == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.slope_u == pytest.approx(0.00067, abs=5e-6)
    assert line.correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.scatter == pytest.approx(0.0035, abs=5e-5)
    assert line.intercept + 10 * line.slope == pytest.approx(-0.1494, abs=5e-5)
    assert line.u_at(10) == pytest.approx(0.0041, abs=5e-5)
    assert line.freedom == 9


def test_the_line_against_scipy_and_the_uncertainties_package():
    x, y = zip(*THERMOMETER, strict=True)
    line, wanted = straight_line(x, y), stats.linregress(x, y)
    assert line.slope == pytest.approx(wanted.slope, rel=1e-9)
    assert line.slope_u == pytest.approx(wanted.stderr, rel=1e-9)
    assert line.intercept_u == pytest.approx(wanted.intercept_stderr, rel=1e-9)
    covariance = line.correlation * line.intercept_u * line.slope_u
    matrix = [[line.intercept_u**2, covariance], [covariance, line.slope_u**2]]
    intercept, slope = correlated_values([line.intercept, line.slope], matrix)
    for at in (20.0, 24.0, 30.0):
        assert line.u_at(at) == pytest.approx((intercept + at * slope).std_dev, rel=1e-6)


@pytest.mark.parametrize(
    ("freedom", "least", "most"),
    [
        (1, 0.9400, 0.9600),
        (2, 0.9430, 0.9515),
        (3, 0.9470, 0.9530),
        (7, 0.9490, 0.9510),
        (30, 0.9490, 0.9510),
    ],
)
def test_the_limit_holds_whatever_the_true_scatter(freedom, least, most):
    """Something known and something seen `freedom` + 1 times, from 1/100 to 1000 of it: SciPy's chi-squared
    distribution of what is seen of the scatter, its normal one for the sum of both, integrated."""
    seen = np.sqrt(stats.chi2.ppf((np.arange(600) + 0.5) / 600, freedom) / freedom)
    for true in np.geomspace(0.01, 1000, 26):
        limits = np.array(
            [
                joined([UncertaintyPart("a", 1.0), UncertaintyPart("b", true * s, freedom)]).expanded
                for s in seen
            ]
        )
        held = (2 * stats.norm.cdf(limits / np.hypot(1, true)) - 1).mean()
        assert least <= held <= most, true
        assert limits.min() >= 1.9599 and (limits >= 0.98 * np.maximum.accumulate(limits)).all()


@pytest.mark.parametrize(("fewer", "more"), [(1, 4), (2, 4), (2, 2), (4, 4), (3, 20)])
def test_of_two_seen_things_the_limit_is_not_short(fewer, more):
    """Both scatters only seen: at least 94 %, more where one of them has a single degree of freedom."""
    rng = np.random.default_rng([7, fewer, more])
    first, second = (np.sqrt(rng.chisquare(freedom, 1000) / freedom) for freedom in (fewer, more))
    for true in np.geomspace(0.1, 10, 5):
        limits = [
            joined([UncertaintyPart("a", true * s, fewer), UncertaintyPart("b", t, more)]).expanded
            for s, t in zip(first, second, strict=True)
        ]
        held = (2 * stats.norm.cdf(np.array(limits) / np.hypot(1, true)) - 1).mean()
        assert 0.93 <= held <= (0.99 if fewer == 1 else 0.985), true
