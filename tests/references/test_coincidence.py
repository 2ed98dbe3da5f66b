"""The paralysable coincidence model against scipy's Lambert W and against pulses dropped on a line."""

import numpy as np
import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import lambertw  # independent implementation
from skidwright.formulas import coincidence


def test_lambert_w_agrees_with_scipy() -> None:
    # from the branch point out to where W is as good as its argument
    x = np.concatenate([-1 / np.e + np.geomspace(1e-15, 0.36, 4000), -np.geomspace(1e-300, 0.3, 500), [0.0]])
    x = x[x > -1 / np.e]
    ours, theirs = coincidence.lambert_w(x), lambertw(x).real
    # near the branch point W is ill-conditioned: an ulp of x moves it by about ulp / sqrt(2 e (x + 1/e))
    slack = 1e-14 + 1e-16 / np.sqrt(np.maximum(x + 1 / np.e, 1e-17))
    assert (np.abs(ours - theirs) <= slack).all()
    far = x > -0.3678
    np.testing.assert_allclose(ours[far], theirs[far], rtol=1e-12)


def test_published_constant() -> None:
    # W(-1/e) = -1: Corless et al. 1996. W(-0.2): computed to 30 digits with mpmath 1.3's lambertw.
    np.testing.assert_allclose(coincidence.lambert_w([-1 / np.e, -0.2]), [-1, -0.2591711018190738], atol=1e-7)


def test_counts_on_a_line_follow_the_model() -> None:
    # Monte Carlo, no formula of ours: particles at random places, one seen whenever the gap before it is
    # longer than the sensing volume (the definition of a paralysable counter).
    rng = np.random.default_rng(4)
    volume_ml, true_per_ml, sensing_ml = 400.0, 2000.0, 1.5e-4
    places = np.sort(rng.uniform(0, volume_ml, rng.poisson(true_per_ml * volume_ml)))
    seen = np.count_nonzero(np.diff(places, prepend=-1.0) > sensing_ml) / volume_ml
    found = coincidence.correct(seen, sensing_ml)
    assert found.true_per_ml == pytest.approx(true_per_ml, rel=0.006)
    assert found.loss_fraction == pytest.approx(1 - np.exp(-true_per_ml * sensing_ml), rel=0.02)
    assert coincidence.observed(true_per_ml, sensing_ml) == pytest.approx(seen, rel=0.006)


@given(st.floats(1e-3, 0.999), st.floats(1e-7, 1e-2))
def test_round_trip(occupancy: float, sensing_ml: float) -> None:
    true = occupancy / sensing_ml
    found = coincidence.correct(coincidence.observed(true, sensing_ml), sensing_ml)
    # at the peak the model is flat, so the inverse can only be as good as sqrt(eps) there
    assert found.true_per_ml == pytest.approx(true, rel=1e-15 / (1 - occupancy) ** 2 + 1e-12)
    assert found.loss_fraction == pytest.approx(
        1 - np.exp(-occupancy), rel=1e-12 + 1e-15 / (1 - occupancy) ** 2
    )


def test_above_the_limit_there_is_no_answer() -> None:
    limit = coincidence.limit_per_ml(1e-5)
    assert limit == pytest.approx(1e5 / np.e)
    found = coincidence.correct([limit * 0.999999, limit * 1.000001, 1e9], 1e-5)
    assert np.isfinite(found.true_per_ml[0])
    assert np.isnan(found.true_per_ml[1:]).all()
    assert np.isnan(found.loss_fraction[1:]).all()


def test_without_a_sensing_volume_nothing_is_lost() -> None:
    found = coincidence.correct([0.0, 12345.0], 0.0)
    assert found.true_per_ml.tolist() == [0.0, 12345.0]
    assert found.loss_fraction.tolist() == [0.0, 0.0]
    assert np.isinf(coincidence.limit_per_ml(0.0))


def test_dead_time_and_flow_make_a_sensing_volume() -> None:
    unit = pint.UnitRegistry()  # keeps the units right by itself
    volume = (20 * unit.microsecond * 30 * unit.milliliter / unit.minute).to("milliliter").magnitude
    assert coincidence.sensing_volume_ml(20e-6, 0.5) == pytest.approx(volume)


@given(st.lists(st.floats(0, 3.6e4), min_size=2, max_size=20))
def test_more_seen_means_more_there(seen: list[float]) -> None:
    found = coincidence.correct(sorted(seen), 1e-5)
    assert (np.diff(found.true_per_ml) >= 0).all()
    assert (np.diff(found.loss_fraction) >= 0).all()
    assert (found.true_per_ml >= np.sort(seen)).all()


@pytest.mark.parametrize("arguments", [(-1.0, 1e-5), (1.0, -1e-5)])
def test_negative_arguments_are_refused(arguments: tuple[float, float]) -> None:
    with pytest.raises(ValueError, match="cannot be negative"):
        coincidence.correct(*arguments)
