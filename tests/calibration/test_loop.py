"""A loop's input against a reference current."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from skidboard.current_loop import CurrentLoop
from skidwright.calibration.loop import Point, calibrate
from skidwright.errors import CalibrationError


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
    assert found.uncertainty_ua == pytest.approx(
        stats.t.ppf(0.975, 3) * np.sqrt((np.square(found.residuals_ua)).sum() / 3)
    )


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
