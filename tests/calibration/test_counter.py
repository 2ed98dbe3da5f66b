"""Counts compared with a reference's."""

import numpy as np
import pytest
from scipy import stats
from skidwright.calibration.counter import STATEMENT, compare
from skidwright.errors import CalibrationError

CHANNELS = ("4um", "6um", "14um", "21um")


def test_ratio_and_limits_against_clopper_and_pearson():
    # With exact volumes the limits follow from the binomial share (SciPy's exact interval).
    (found,) = compare(CHANNELS, [180], 30.0, [120], 25.0, volume_uncertainty=0.0)
    share = stats.binomtest(180, 300).proportion_ci(0.95, "exact")
    ratio = [p / (1 - p) * 25 / 30 for p in (share.low, share.high)]
    assert found.ratio == pytest.approx(180 / 30 / (120 / 25))
    assert [found.low, found.high] == pytest.approx(ratio, rel=1e-6)


def test_same_fluid_is_rarely_said_to_differ():
    rng = np.random.default_rng(7)
    said = [
        compare(CHANNELS, rng.poisson([9000, 3000, 150, 25]).tolist(), 30,
                rng.poisson([7500, 2500, 125, 21]).tolist(), 25, 0.0)
        for _ in range(60)
    ]  # fmt: skip
    far = sum(c.words.startswith("differs") for result in said for c in result)
    print(f"figure: counter comparison: {far} of 240 channels of one fluid said to differ (5 % allowed)")
    assert far <= 20  # 12 expected; more than 20 come by chance once in 100


@pytest.mark.parametrize(
    ("ours", "theirs", "words"),
    [
        (9000, 9100, "agrees within half"),
        (9000, 8000, "differs, by less"),
        (9000, 4000, "more than half a scale number"),
        (5, 4, "too few"),
        (0, 0, "says nothing"),
    ],
)
def test_words(ours, theirs, words):
    assert words in compare(CHANNELS, [ours], 30, [theirs], 30)[0].words


def test_it_says_what_it_is_not():
    assert "no calibration to ISO 11171" in STATEMENT


def test_what_cannot_be_is_refused():
    with pytest.raises(CalibrationError, match="as many"):
        compare(CHANNELS, [1, 2], 30, [1], 30)
    with pytest.raises(CalibrationError, match="volume"):
        compare(CHANNELS, [1], 0, [1], 30)
    with pytest.raises(CalibrationError, match="volume"):
        compare(CHANNELS, [1], 30, [1], float("nan"))
