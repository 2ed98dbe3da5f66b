"""Water at the coldest temperature, against the formula worked by hand with the published constants."""

import numpy as np
import pytest
from machine_years import START
from scipy import stats
from skidwright.config import Asset
from skidwright.formulas.water import Solubility
from skidwright.judgement import series
from skidwright.samples import history
from skidwright.standing import water
from skidwright.standing.goals import MET, NO_GOAL, NO_VALID, NOT_MEASURED, NOT_MET, OPEN, Goals


def readings(percent, warm_c, n=5, **more):
    when = START + np.arange(n).astype("timedelta64[h]")
    return history.of_arrays(
        when, water_percent=np.full(n, percent), temperature_c=np.full(n, warm_c), **more
    )


def colder(percent, warm_c, cold_c, b):
    """Saturation at `cold_c`: only B of log10 S = A - B / T matters, A drops out."""
    return percent * 10 ** (b * (1 / (cold_c + 273.15) - 1 / (warm_c + 273.15)))


NOW = START + np.timedelta64(1, "D")
SPREAD_C = 2.0 / np.sqrt(3)  # docs/wiring.md: the thermistor is wrong by 2 K at most


def stands(story, limit=60.0, coldest=None, own=None):
    return water.water(story, Goals(water_limit_percent=limit, coldest_c=coldest, solubility=own), NOW)


def test_saturation_when_coldest() -> None:
    """B = 1567 K and 1670 K are the published pairs of `trade.water` (see there for their sources)."""
    read, cold, free = stands(readings(30.0, 50.0), coldest=20.0)
    expected = colder(30, 50, 20, 1567.0), colder(30, 50, 20, 1670.0)
    assert (cold.value, cold.value_high) == pytest.approx(expected)
    assert read.value == pytest.approx(30.0) and read.state == MET
    assert cold.state == NOT_MET and cold.at_c == 20.0 and free.limit == 100.0


@pytest.mark.parametrize(
    ("percent", "limit", "coldest", "found"),
    [
        (20.0, 60.0, 40.0, (MET, MET, MET)),
        (70.0, 60.0, 40.0, (NOT_MET, NOT_MET, OPEN)),
        (30.0, 60.0, 20.0, (MET, NOT_MET, OPEN)),
        (30.0, 60.0, -10.0, (MET, NOT_MET, NOT_MET)),
        (30.0, 96.0, 25.0, (MET, MET, MET)),
        (30.0, 97.0, 20.0, (MET, OPEN, OPEN)),
        (30.0, None, 20.0, (NO_GOAL, NO_GOAL, OPEN)),
        (30.0, None, -10.0, (NO_GOAL, NO_GOAL, NOT_MET)),
        (30.0, 60.0, None, (MET, NO_GOAL, MET)),
    ],
)
def test_states(percent, limit, coldest, found) -> None:
    """Out of 30 % at 50 degC the two pairs make 94 and 101 % at 20 degC, 77 and 81 % at 25 degC."""
    made = [colder(30, 50, cold_c, b) for cold_c in (20, 25) for b in (1567.0, 1670.0)]
    assert made == pytest.approx([94.1, 101.4, 76.5, 81.4], abs=0.1)
    assert tuple(one.state for one in stands(readings(percent, 50.0), limit, coldest)) == found


def test_a_reading_is_proven_with_its_uncertainty() -> None:
    """49.8 % against 50: open with 2u of 5.5 %, and with 0.7; the chance is that of SciPy's normal."""
    for spread, percent, state in (
        (2.75, 49.8, OPEN), (0.35, 49.8, OPEN), (0.35, 49.0, MET), (2.75, 45.0, MET), (2.75, 55.0, NOT_MET),
    ):  # fmt: skip
        (read, *_) = stands(readings(percent, 40.0, water_spread_percent=spread), limit=50.0)
        # how readings of one machine scatter adds a little to the converter's
        assert read.least == pytest.approx(stats.norm.cdf((50 - percent) / spread), abs=1e-3)
        assert read.state == state, (spread, percent)


def test_what_is_carried_takes_the_uncertainties_along() -> None:
    """GUM by Monte Carlo: reading and temperature drawn, carried by log10 S = A - B / T, 200,000 draws."""
    rng = np.random.default_rng(2)
    percent = 30 + 1.0 * rng.standard_normal(200_000)
    warm = 50 + SPREAD_C * rng.standard_normal(200_000)
    drawn = percent * 10 ** (1600.0 * (1 / 293.15 - 1 / (warm + 273.15)))
    own = Solubility(7.3, 1600.0, "own", "")
    story = readings(30.0, 50.0, water_spread_percent=1.0)
    for limit in (92.0, 97.0, 104.0):
        cold = stands(story, limit, 20.0, own)[1]
        assert cold.least == pytest.approx((drawn <= limit).mean(), abs=0.02), limit


def test_own_constants_leave_no_range() -> None:
    cold = stands(readings(30.0, 50.0), coldest=20.0, own=Solubility(7.3, 1600.0, "own", ""))[1]
    assert (cold.value, cold.value_high) == pytest.approx((colder(30, 50, 20, 1600.0),) * 2)


def test_nothing_measured_nothing_valid_and_no_temperature() -> None:
    nothing = history.of_arrays(START + np.arange(3).astype("timedelta64[h]"))
    assert {one.state for one in stands(nothing)} == {NOT_MEASURED}
    assert {one.state for one in stands(readings(30.0, 50.0, water_verdict=2))} == {NO_VALID}
    story = readings(20.0, np.nan)
    read, cold, free = stands(story, coldest=20.0)
    assert (read.state, cold.state, free.state) == (MET, OPEN, OPEN)
    assert cold.cause == water.NO_TEMPERATURE


def test_warming_and_cooling_is_no_trend_of_water() -> None:
    """The same water at 30 to 60 degC over the year reads from 60 down to 20 %: carried to one temperature
    it is flat."""
    n = 200
    when = START + np.arange(n).astype("timedelta64[D]")
    warm = np.linspace(30, 60, n)
    percent = colder(20.0, 60.0, warm, 1567.0)
    made = history.of_arrays(when, water_percent=percent, temperature_c=warm)
    found, at_c = series.water_series(made, Asset(1, coldest_c=10.0))
    assert at_c == 10.0
    assert np.ptp(found.points.values) < 1e-6
    assert not found.trends[0].rising and not found.trends[0].falling
