"""Joined uncertainties against the GUM's table and example, SciPy, and the uncertainties package."""

import math

import pytest
from scipy import stats
from skidwright.calibration.uncertainty import Part, coverage_factor, joined
from uncertainties import ufloat


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
    found = joined([Part("a", 25, 18), Part("b", 9.7, 25.6), Part("c", 2.9, 50), Part("d", 16.6, 2)])
    assert found.standard == pytest.approx(32, abs=0.5)
    assert math.floor(found.freedom) == 16
    assert coverage_factor(16, 0.99) * found.standard == pytest.approx(93, abs=1)


def test_sum_of_squares_against_the_uncertainties_package():
    found = joined([Part("a", 0.3), Part("b", 0.4), Part("c", 1.2)])
    assert found.standard == pytest.approx((ufloat(0, 0.3) + ufloat(0, 0.4) + ufloat(0, 1.2)).std_dev)
    assert found.factor == pytest.approx(1.96, abs=0.001)


def test_one_reading_says_nothing_of_its_scatter():
    with pytest.raises(ValueError):
        coverage_factor(0.5)
