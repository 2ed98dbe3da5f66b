"""A loop's input against a reference current."""

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from skidboard.current_loop import CurrentLoop
from skidwright.calibration.loop import Point, calibrate
from skidwright.errors import CalibrationError
from uncertainties import ufloat


def test_straight_line_against_scipy():
    reads = [3962.0, 7921.0, 11883.0, 15850.0, 19809.0]
    references = [4000.0, 8000.0, 12000.0, 16000.0, 20000.0]
    line = stats.linregress(reads, references)
    found = calibrate([Point(t, r) for t, r in zip(references, reads, strict=True)])
    assert found.offset_ua == round(line.intercept)
    assert found.gain_ppm == round((line.slope - 1) * 1e6)
    left = np.array(references) - line.intercept - line.slope * np.array(reads)
    assert np.allclose(found.residuals_ua, left, atol=0.6)
    assert found.error_before_ua == 191.0
    # Prediction limits of ordinary least squares by statsmodels, at the end where they are widest.
    fit = sm.OLS(references, sm.add_constant(reads)).fit()
    ends = [[1, (end - line.intercept) / line.slope] for end in (4000, 20000)]
    widest = max(fit.get_prediction(ends).se_obs)
    assert found.parts[1].standard == pytest.approx(widest, rel=1e-9)
    # Nothing but the scatter and half a microamp of rounding: Student's factor for 3 degrees of freedom.
    assert found.uncertainty_ua == pytest.approx(stats.t.ppf(0.975, 3) * widest, rel=0.01)


def test_three_points_of_a_good_input_say_what_the_reference_allows():
    """5 uA of the reference, known, are 9.8 uA with 95 % (normal factor 1.96); the rest is small here."""
    found = calibrate([Point(4000, 3990.2), Point(12000, 11980.4), Point(20000, 19970.1)], 5.0)
    assert 9.8 < found.uncertainty_ua < 11
    combined = ufloat(0, 5) + ufloat(0, found.parts[1].standard) + ufloat(0, 1 / np.sqrt(12))
    assert found.uncertainty.standard == pytest.approx(combined.std_dev, rel=1e-9)
    # A reference that is itself known from few measurements alone: Student's factor for 4 is 2.776.
    few = calibrate([Point(4000, 3990.2), Point(12000, 11980.4), Point(20000, 19970.1)], 5.0, 4)
    assert few.uncertainty_ua == pytest.approx(2.776 * 5, rel=0.06)


# Points, noise of a reading over the reference's uncertainty.
COVERAGE = [(3, 0.05), (3, 0.3), (3, 1), (3, 3), (4, 0.3), (5, 1), (9, 1), (9, 10)]


@pytest.mark.parametrize(("many", "ratio"), COVERAGE)
def test_stated_limits_hold_the_truth(many, ratio):
    """A reference that is off by one error for all points, an input with noise; then one reading more."""
    rng = np.random.default_rng([20261201, many, int(ratio * 100)])
    reference_u, tried, held, told = 5.0, 600, 0, []
    true = np.linspace(4000, 20000, many)
    for _ in range(tried):
        gain, offset = 1 + rng.normal(0, 0.005), rng.normal(0, 50)
        shown = true + rng.normal(0, reference_u)  # what the certificate says of the current that flows
        reads = (true * gain + offset) + rng.normal(0, ratio * reference_u, many)
        found = calibrate([Point(t, r) for t, r in zip(shown, reads, strict=True)], reference_u)
        end = 20000 * gain + offset + rng.normal(0, ratio * reference_u)
        corrected = end * (1 + found.gain_ppm / 1e6) + found.offset_ua
        held += abs(corrected - 20000) <= found.uncertainty_ua
        told.append(found.uncertainty_ua)
    share = held / tried
    print(
        f"figure: loop calibration, {many} points, noise {ratio:g} of the reference's 5 uA: 95 % limits "
        f"(median {np.median(told):.1f} uA) held {share:.1%} of {tried}"
    )
    # 94 to 96 %, and three standard errors of a count of `tried` to either side.
    assert abs(share - 0.95) <= 0.01 + 3 * np.sqrt(0.05 * 0.95 / tried)


@settings(deadline=None)
@given(st.integers(-400, 400), st.integers(-38000, 38000))
def test_the_board_then_reads_the_reference(offset, gain):
    """What is found, set on the board's own module, takes the error away to 3 uA."""
    wrong = [round((true - offset) / (1 + gain / 1e6)) for true in (4000, 12000, 20000)]
    if min(wrong) < 0:
        return
    found = calibrate([Point(t, r) for t, r in zip((4000, 12000, 20000), wrong, strict=True)])
    loop = CurrentLoop(0, 10000)
    loop.configure(0, 10000, found.offset_ua, found.gain_ppm)
    for true, read in zip((4000, 12000, 20000), wrong, strict=True):
        loop.update(read)
        assert abs(loop.loop_ua - true) <= 3


def test_two_points_do_not_claim_an_uncertainty():
    assert calibrate([Point(4000, 3990), Point(20000, 19950)]).uncertainty_ua is None


@pytest.mark.parametrize(
    ("points", "said"),
    [
        ([(4000, 3990)], "two or more"),
        ([(4000, 3990), (6000, 5980)], "within 4 mA"),
        ([(4000, 9000), (20000, 9000)], "never moved"),
        ([(4000, 2000), (20000, 10000)], "shunt"),
        ([(4000, 3990), (20000, float("nan"))], "point 2"),
        ([(4, 4), (2e7, 2e7)], "give mA"),
        ([(4000, 3900), (12000, 13000), (20000, 20000)], "off a line"),
    ],
)
def test_what_cannot_be_is_refused(points, said):
    with pytest.raises(CalibrationError, match=said):
        calibrate([Point(*p) for p in points])
