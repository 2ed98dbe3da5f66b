"""Viscosity against the worked examples of ASTM D2270, D341's own short form, ISO 2909 and ISO 3448."""

import numpy as np
import pytest
from chemicals.viscosity import viscosity_index as chemicals_index
from hypothesis import given
from hypothesis import strategies as st
from skidwright.formulas import viscosity


@pytest.mark.parametrize(
    ("at_40c", "at_100c", "printed", "rounded"),
    [
        # ASTM D2270, 5.1.4 and 6.1.4, as reprinted: 92.43, 156.37
        (73.30, 8.86, 92.43, 92),
        (22.83, 5.05, 156.37, 156),
        # the second example of 6.1.4, its inputs as reprinted, its result from memory
        (53.47, 7.80, 111.30, 111),
    ],
)
def test_worked_examples_of_d2270(at_40c: float, at_100c: float, printed: float, rounded: int) -> None:
    found = float(viscosity.viscosity_index(at_40c, at_100c))
    assert found == pytest.approx(printed, abs=0.1)
    assert round(found) == rounded


def test_index_by_chemicals() -> None:
    # An independent implementation over the standard's table (its argument is in m2/s).
    rng = np.random.default_rng(2)
    at_100c = np.concatenate([rng.uniform(2, 69.9, 400), rng.uniform(70.1, 300, 100)])
    at_40c = at_100c * rng.uniform(3, 20, 500)
    found = viscosity.viscosity_index(at_40c, at_100c)
    theirs = [chemicals_index(u * 1e-6, y * 1e-6) for u, y in zip(at_40c, at_100c, strict=True)]
    np.testing.assert_allclose(found, theirs, rtol=1e-9, atol=1e-9)


# ISO 2909 gives L = a Y^2 + b Y + c and H = d Y^2 + e Y + f piecewise: from memory.
ISO_2909 = """
2.0 3.8 1.14673 1.7576 -0.109 0.84155 1.5521 -0.077
3.8 4.4 3.38095 -15.4952 33.196 0.78571 1.7929 -0.183
4.4 5.0 2.5000 -7.2143 13.812 0.82143 1.5679 0.119
5.0 6.4 0.10100 16.6350 -45.469 0.04985 9.1613 -18.557
6.4 7.0 3.35714 -23.5643 78.466 0.22619 7.7369 -16.656
7.0 7.7 0.01191 21.4750 -72.870 0.79762 -0.7321 14.610
7.7 9.0 0.41858 16.1558 -56.040 0.05794 10.5156 -28.240
9.0 12 0.88779 7.5527 -16.600 0.26665 6.7015 -10.810
12 15 0.76720 10.7972 -38.180 0.20073 8.4658 -22.490
15 18 0.97305 5.3135 -2.200 0.28889 5.9741 -4.930
18 22 0.97256 5.2500 -0.980 0.24504 7.4160 -16.730
22 28 0.91413 7.4759 -21.820 0.20323 9.1267 -34.230
28 40 0.87031 9.7157 -50.770 0.18411 10.1015 -46.750
40 55 0.84703 12.6752 -133.310 0.17029 11.4866 -80.620
55 70 0.85921 11.1009 -83.19 0.17130 11.3680 -76.940
"""


def test_index_by_the_polynomials_of_iso_2909() -> None:
    for line in ISO_2909.split("\n"):
        if not line:
            continue
        bottom, top, a, b, c, d, e, f = (float(number) for number in line.split())
        y = np.linspace(bottom, top, 40)
        low, high = (a * y + b) * y + c, (d * y + e) * y + f
        # by definition the index is 0 at U = L and 100 at U = H; the polynomials hold L and H to 0.15 %
        np.testing.assert_allclose(viscosity.viscosity_index(low, y), 0, atol=0.6)
        np.testing.assert_allclose(viscosity.viscosity_index(high, y), 100, atol=0.6)


def test_index_is_undefined_below_2() -> None:
    assert np.isnan(viscosity.viscosity_index(5.0, 1.99))
    with pytest.raises(ValueError, match="below that at 40"):
        viscosity.viscosity_index(10.0, 10.0)
    with pytest.raises(ValueError, match="above 0"):
        viscosity.viscosity_index(10.0, 0.0)


@given(st.floats(2, 200), st.floats(1.5, 100), st.floats(1.01, 2))
def test_thinner_when_cold_means_a_higher_index(at_100c: float, ratio: float, more: float) -> None:
    found = viscosity.viscosity_index([at_100c * ratio, at_100c * ratio * more], at_100c)
    assert found[0] > found[1]


def test_z_by_the_short_form_of_d341() -> None:
    # ASTM D341, equations 2 and 3 (reprinted at help.technicaltoolboxes.com, a handbook for pipelines): Z
    # from nu, and back. The six exponentials themselves are from memory; this holds them to half a per cent.
    nu = np.geomspace(0.21, 1e5, 500)
    short = nu + 0.7 + np.exp(-1.47 - 1.84 * nu - 0.51 * nu**2)
    np.testing.assert_allclose(viscosity.z_of_viscosity(nu), short, rtol=0.005)
    y = viscosity.z_of_viscosity(nu[nu > 2]) - 0.7
    back = y - np.exp(-0.7487 - 3.295 * y + 0.6119 * y**2 - 0.3193 * y**3)
    np.testing.assert_allclose(back, nu[nu > 2], rtol=0.0006)


def test_oils_by_the_plain_walther_equation() -> None:
    # Worked example (scribd 361017004, "Viscosity vs temperature calculator", after ASTM D341): 32 mm2/s at
    # 40 and 5.4 at 100 degC give A = 9.5259, B = 3.7449 and 8.5 mm2/s at 80 degC. It uses Z = nu + 0.7
    # alone and 273 for 273.15, which moves A and B by 0.1 %.
    line = viscosity.line_through(40, 32, 100, 5.4)
    assert line.a == pytest.approx(9.5259, rel=0.002)
    assert line.b == pytest.approx(3.7449, rel=0.002)
    assert viscosity.viscosity(line, 80) == pytest.approx(8.5, abs=0.05)
    assert viscosity.viscosity(line, [40, 100]) == pytest.approx([32, 5.4], rel=1e-9)


def test_water_like_liquids_need_the_exponentials() -> None:
    # CoolProp's reference correlations of viscosity and density: n-heptane, n-decane, n-dodecane, all below
    # the 2 mm2/s at which the exponentials begin to matter, or just above it.
    coolprop = pytest.importorskip("CoolProp.CoolProp")

    def measured(fluid: str, temp_c: float) -> float:
        state = ("T", temp_c + 273.15, "P", 101_325.0, fluid)
        return 1e6 * coolprop.PropsSI("V", *state) / coolprop.PropsSI("D", *state)

    for fluid in ("n-Heptane", "n-Decane", "n-Dodecane"):
        cold, hot = measured(fluid, 10), measured(fluid, 80)
        line = viscosity.line_through(10, cold, 80, hot)
        between = np.array([20.0, 30, 40, 50, 60, 70])
        wanted = [measured(fluid, temp_c) for temp_c in between]
        np.testing.assert_allclose(viscosity.viscosity(line, between), wanted, rtol=0.01)
        # without them, Walther's plain form misses by more than that
        w = [np.log10(np.log10(nu + 0.7)) for nu in (cold, hot)]
        log_t = np.log10([283.15, 353.15])
        plain = 10**10 ** np.interp(np.log10(between + 273.15), log_t, w) - 0.7
        assert np.max(np.abs(plain / wanted - 1)) > 0.012
        print(f"figure: D341 between 10 and 80 degC, {fluid}: "
              f"{np.max(np.abs(viscosity.viscosity(line, between) / wanted - 1)):.2%} off CoolProp at most, "
              f"{np.max(np.abs(plain / wanted - 1)):.2%} without the exponentials")  # fmt: skip


lines = st.tuples(st.floats(20, 2000), st.floats(3, 12)).map(
    lambda pair: viscosity.line_through(40, pair[0], 100, pair[0] / pair[1] if pair[0] / pair[1] > 1 else 1.0)
)


@given(lines, st.floats(-20, 150))
def test_temperature_undoes_viscosity(line: viscosity.ViscosityLine, temp_c: float) -> None:
    nu = viscosity.viscosity(line, temp_c)
    if np.isfinite(nu) and nu < 1.9e7:
        assert viscosity.temperature(line, nu) == pytest.approx(temp_c, abs=1e-6)


@given(lines)
def test_hotter_is_thinner_and_the_points_are_met(line: viscosity.ViscosityLine) -> None:
    nu = viscosity.viscosity(line, np.linspace(-10, 140, 60))
    assert (np.diff(nu[np.isfinite(nu)]) < 0).all()


@given(st.floats(0.21, 1.9e7))
def test_z_and_back(nu: float) -> None:
    assert viscosity.viscosity_of_z(viscosity.z_of_viscosity(nu)) == pytest.approx(nu, rel=1e-9)


def test_outside_d341() -> None:
    line = viscosity.line_through(40, 1000, 100, 40)
    assert np.isnan(viscosity.viscosity(line, [-80.0, 2000.0])).all()
    for arguments, said in [
        ((40, 0.1, 100, 0.05), "D341 holds from"),
        ((40, 46, 40, 6.8), "two different temperatures"),
        ((40, 6.8, 100, 46), "must be the lower one"),
        ((-300, 46, 100, 6.8), "absolute zero"),
    ]:
        with pytest.raises(ValueError, match=said):
            viscosity.line_through(*arguments)


# ISO 3448:1992, table 1, as in "Viscosity classifications" (scribd 289424684), grades 2 to 1500:
# minimum, maximum. 2200 and 3200 from memory.
ISO_3448 = {
    2: ("1.98", "2.42"), 3: ("2.88", "3.52"), 5: ("4.14", "5.06"), 7: ("6.12", "7.48"), 10: ("9.0", "11.0"),
    15: ("13.5", "16.5"), 22: ("19.8", "24.2"), 32: ("28.8", "35.2"), 46: ("41.4", "50.6"),
    68: ("61.2", "74.8"), 100: ("90.0", "110"), 150: ("135", "165"), 220: ("198", "242"), 320: ("288", "352"),
    460: ("414", "506"), 680: ("612", "748"), 1000: ("900", "1100"), 1500: ("1350", "1650"),
    2200: ("1980", "2420"), 3200: ("2880", "3520"),
}  # fmt: skip


def test_iso_grades_and_their_gaps() -> None:
    for grade, (low, high) in ISO_3448.items():
        inside = [float(low), float(high), (float(low) + float(high)) / 2]
        assert viscosity.iso_vg(inside).tolist() == [grade] * 3
        outside = [np.nextafter(float(low), 0), np.nextafter(float(high), np.inf)]
        assert viscosity.iso_vg(outside).tolist() == [0, 0]
    assert viscosity.iso_vg([55.0, 1.0, 5000.0]).tolist() == [0, 0, 0]
    with pytest.raises(ValueError, match="negative"):
        viscosity.iso_vg(-1.0)
