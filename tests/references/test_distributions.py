"""Gamma, normal, Student and binomial functions against scipy, an independent implementation."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special, stats
from skidwright.formulas import distributions

SHAPES = np.concatenate([np.linspace(0.05, 5, 50), np.arange(1, 1500), np.geomspace(399, 1e6, 100)])


@pytest.mark.parametrize("p", [1e-4, 0.005, 0.025, 0.16, 0.5, 0.84, 0.975, 0.995, 0.9999])
def test_gamma_quantile(p: float) -> None:
    np.testing.assert_allclose(
        distributions.gamma_quantile(SHAPES, p), special.gammaincinv(SHAPES, p), rtol=1e-9
    )


def test_gamma_quantile_where_scipy_itself_is_off() -> None:
    # scipy 1.17 gives 99953374.1 for gammaincinv(1e8, 1e-6). Integrating the density numerically with
    # mpmath at 30 digits up to 99952472.95505339 gives 1.00000000000e-6.
    assert distributions.gamma_quantile(1e8, 1e-6) == pytest.approx(99952472.95505339, rel=1e-12)


def test_gamma_cdf() -> None:
    rng = np.random.default_rng(1)
    shape = SHAPES[rng.integers(0, len(SHAPES), 5000)]
    value = np.maximum(shape + np.sqrt(shape) * rng.normal(0, 3, 5000), 1e-9)
    np.testing.assert_allclose(
        distributions.gamma_cdf(shape, value), special.gammainc(shape, value), atol=1e-9
    )
    assert distributions.gamma_cdf([1.0, 500.0], 0.0).tolist() == [0.0, 0.0]


@pytest.mark.parametrize("p", [0.025, 0.9, 0.975, 0.995])
def test_student_quantile(p: float) -> None:
    # scipy.stats.t; the expansion has that much to spare for it
    for freedom, within in ((3, 0.015), (5, 2e-3), (10, 1e-4), (40, 1e-6)):
        assert distributions.student_quantile(p, freedom) == pytest.approx(
            stats.t.ppf(p, freedom), rel=within
        )


@settings(deadline=None)
@given(st.floats(0.1, 1e6), st.floats(0.001, 0.999))
def test_cdf_undoes_quantile(shape: float, p: float) -> None:
    assert distributions.gamma_cdf(shape, distributions.gamma_quantile(shape, p)) == pytest.approx(
        p, abs=1e-9
    )


@settings(deadline=None)
@given(st.floats(0.001, 0.999), st.lists(st.floats(0.5, 3000), min_size=2, max_size=10))
def test_quantile_rises_with_shape(p: float, shapes: list[float]) -> None:
    assert (np.diff(distributions.gamma_quantile(sorted(shapes), p)) >= -1e-9).all()


def test_log_gamma_and_normal() -> None:
    x = np.geomspace(1e-3, 1e7, 2000)
    np.testing.assert_allclose(distributions.log_gamma(x), special.gammaln(x), rtol=1e-13, atol=1e-13)
    z = np.linspace(-8, 8, 200)
    np.testing.assert_allclose(distributions.normal_cdf(z), special.ndtr(z), rtol=1e-12)
    assert distributions.normal_quantile(0.975) == pytest.approx(special.ndtri(0.975), rel=1e-14)


@pytest.mark.parametrize(
    ("k", "n"), [(0, 5), (5, 5), (3, 10), (500, 1000), (40, 10_000), (500_000, 1_000_000)]
)
def test_binomial_tails(k: int, n: int) -> None:
    p = np.array([0.001, 0.1, 0.3, 0.499, 0.5, 0.501, 0.9])
    lower = distributions.binomial_tail(k, n, p)
    upper = distributions.binomial_tail(k, n, p, upper=True)
    np.testing.assert_allclose(lower, stats.binom.cdf(k, n, p), atol=2e-8)
    np.testing.assert_allclose(upper, stats.binom.sf(k - 1, n, p), atol=2e-8)


def test_refusals() -> None:
    with pytest.raises(ValueError, match="probability between 0 and 1"):
        distributions.gamma_quantile(3.0, 1.0)
    with pytest.raises(ValueError, match="cannot be negative"):
        distributions.gamma_quantile(-1.0, 0.5)
