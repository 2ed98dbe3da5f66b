"""Water at the coldest temperature, against the formula worked by hand with the published constants."""

import numpy as np
import pytest
from machine_years import START
from skidwright.config import Asset
from skidwright.judgement import series, wetness
from skidwright.samples import history


def readings(percent, warm_c, n=5, **more):
    when = START + np.arange(n).astype("timedelta64[h]")
    return history.of_arrays(
        when, water_percent=np.full(n, percent), temperature_c=np.full(n, warm_c), **more
    )


def colder(percent, warm_c, cold_c, b):
    """Saturation at `cold_c`: only B of log10 S = A - B / T matters, A drops out."""
    return percent * 10 ** (b * (1 / (cold_c + 273.15) - 1 / (warm_c + 273.15)))


def test_saturation_when_coldest() -> None:
    """B = 1567 K and 1670 K are the published pairs of `trade.water` (see there for their sources)."""
    found = wetness.water_state(readings(30.0, 50.0), Asset(1, water_limit_percent=60.0, coldest_c=20.0))
    expected = colder(30, 50, 20, 1567.0), colder(30, 50, 20, 1670.0)
    assert found.cold_percent == pytest.approx(expected)
    assert found.state == wetness.WHEN_COLD and found.percent == pytest.approx(30.0)
    # free water begins where that share is 100 %
    assert colder(30, 50, found.free_below_c[0], 1567.0) == pytest.approx(100.0, rel=1e-6)


@pytest.mark.parametrize(
    ("percent", "limit", "coldest", "state"),
    [
        (20.0, 60.0, 40.0, wetness.MET),
        (70.0, 60.0, 40.0, wetness.NOT_MET),
        (30.0, 60.0, 20.0, wetness.WHEN_COLD),
        (30.0, 60.0, -10.0, wetness.FREE),
        (30.0, 96.0, 25.0, wetness.MET),
        (30.0, 97.0, 20.0, wetness.OPEN),
        (30.0, None, 20.0, wetness.NO_LIMIT),
        (30.0, 60.0, None, wetness.MET),
    ],
)
def test_states(percent, limit, coldest, state) -> None:
    """Out of 30 % at 50 degC the two pairs make 94 and 101 % at 20 degC, 77 and 81 % at 25 degC."""
    made = [colder(30, 50, cold_c, b) for cold_c in (20, 25) for b in (1567.0, 1670.0)]
    assert made == pytest.approx([94.1, 101.4, 76.5, 81.4], abs=0.1)
    asset = Asset(1, water_limit_percent=limit, coldest_c=coldest)
    assert wetness.water_state(readings(percent, 50.0), asset).state == state


def test_own_constants_leave_no_range() -> None:
    asset = Asset(1, water_limit_percent=60.0, coldest_c=20.0, water_a=7.3, water_b=1600.0)
    found = wetness.water_state(readings(30.0, 50.0), asset)
    assert found.cold_percent == pytest.approx((colder(30, 50, 20, 1600.0),) * 2)


def test_nothing_measured_and_nothing_valid() -> None:
    asset = Asset(1, water_limit_percent=60.0)
    assert wetness.water_state(
        history.of_arrays(START + np.arange(3).astype("timedelta64[h]")), asset
    ).state == (wetness.NOT_MEASURED)
    assert wetness.water_state(readings(30.0, 50.0, water_verdict=2), asset).state == wetness.NO_VALID


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
