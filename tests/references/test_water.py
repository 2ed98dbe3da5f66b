"""Water in oil against a printed solubility table, and the rules that hold for any fluid."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skidwright.formulas import water

MINERAL = water.PUBLISHED["mineral-7.09"]
OTHER = water.PUBLISHED["mineral-7.42"]


def test_printed_solubility_table() -> None:
    # As printed, without author or date, on several trade pages about transformer oil: degC, ppm. It was made
    # with the first pair, so it checks the arithmetic; no measurement stands behind it here.
    printed = [22, 36, 55, 83, 121, 173, 242, 331, 446, 592, 772]
    found = water.solubility_ppm(np.arange(0, 101, 10), MINERAL)
    np.testing.assert_allclose(found, printed, rtol=0.025)


def test_the_two_published_pairs_differ_as_said() -> None:
    ratio = water.solubility_ppm([0.0, 100.0], OTHER) / water.solubility_ppm([0.0, 100.0], MINERAL)
    np.testing.assert_allclose(ratio, [0.90, 1.13], atol=0.005)
    # T. V. Oommen 1983 (from memory): about 52 ppm at 20 degC and 600 to 650 ppm at 90 degC
    np.testing.assert_allclose(water.solubility_ppm([20.0, 90.0], OTHER), [52, 660], rtol=0.03)


def test_reading_carried_to_another_temperature() -> None:
    # By the printed table alone: 25 % of 242 ppm at 60 degC is 60.5 ppm; full at 40 degC is 121 ppm, so 50 %;
    # 60.5 ppm fills the oil between 20 (55 ppm) and 30 degC (83 ppm).
    assert water.content_ppm(25, 60, MINERAL) == pytest.approx(60.5, rel=0.02)
    found = water.carry(25, 60, 40, MINERAL)
    assert found.rs_percent == pytest.approx(50, abs=1)
    assert found.free_ppm == 0
    assert 20 < water.free_water_below_c(25, 60, MINERAL) < 23
    assert np.isneginf(water.free_water_below_c(0, 60, MINERAL))


def test_free_water_is_never_above_100_percent() -> None:
    found = water.carry(80, 70, 20, MINERAL)
    assert found.rs_percent == 100
    assert found.free_ppm == pytest.approx(0.8 * 331 - 55, rel=0.03)  # by the printed table
    assert (
        water.content_ppm([110, -1.2], 60, MINERAL).tolist()
        == water.content_ppm([100, 0], 60, MINERAL).tolist()
    )


temperatures = st.floats(-10, 100)


@given(st.floats(0, 100), temperatures, temperatures)
def test_there_and_back(rs: float, temp_c: float, to_c: float) -> None:
    there = water.carry(rs, temp_c, to_c, MINERAL)
    assert 0 <= there.rs_percent <= 100
    content = there.rs_percent / 100 * water.solubility_ppm(to_c, MINERAL) + there.free_ppm
    back = water.state_at(content, temp_c, MINERAL)
    assert back.rs_percent == pytest.approx(rs, rel=1e-9, abs=1e-9)
    assert (there.free_ppm > 1e-9) <= (there.rs_percent == 100)


@given(st.floats(0.1, 99.9), temperatures)
def test_free_water_appears_where_the_oil_is_full(rs: float, temp_c: float) -> None:
    limit = water.free_water_below_c(rs, temp_c, OTHER)
    assert limit < temp_c
    assert water.carry(rs, temp_c, limit + 0.01, OTHER).free_ppm == 0
    assert water.carry(rs, temp_c, limit - 0.01, OTHER).free_ppm > 0
    assert water.carry(rs, temp_c, limit, OTHER).rs_percent == pytest.approx(100, abs=1e-6)


@given(st.floats(6, 9), st.floats(1000, 2500), st.floats(10, 40), st.floats(5, 50))
def test_fit_finds_the_fluid(a: float, b: float, cold_c: float, rise: float) -> None:
    fluid = water.Solubility(a, b, "", "")
    content = 0.3 * float(water.solubility_ppm(cold_c, fluid))
    hot_rs = float(water.state_at(content, cold_c + rise, fluid).rs_percent)
    found = water.fit_two_points(cold_c, 30.0, content, cold_c + rise, hot_rs, content)
    assert found.a == pytest.approx(a, rel=1e-8)
    assert found.b == pytest.approx(b, rel=1e-8)


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: water.fit_two_points(20, 30, 50, 20, 20, 50), "two different temperatures"),
        (lambda: water.fit_two_points(20, 30, 50, 40, 40, 50), "dissolve less water when hot"),
        (lambda: water.fit_two_points(20, 100, 50, 40, 20, 50), "not between 0 and 100"),
        (lambda: water.fit_two_points(20, 30, 0, 40, 20, 50), "not above 0"),
        (lambda: water.state_at(-1, 20, MINERAL), "cannot be negative"),
        (lambda: water.solubility_ppm(-273.15, MINERAL), "absolute zero"),
    ],
)
def test_refusals(call, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=said):
        call()
