"""Decimation against a plain loop over the columns: nothing extreme may get lost, no median may be off."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skidwright.report import pictures


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(200, 3000), st.integers(5, 60))
def test_columns_equal_a_plain_loop(seed: int, n: int, wanted: int) -> None:
    rng = np.random.default_rng(seed)
    when = rng.uniform(100, 200, n)
    value = rng.normal(0, 1, n).round(2)
    value[rng.random(n) < 0.1] = np.nan
    drawn = pictures.gather(when, value, 100.0, 200.0, wanted)
    if np.isfinite(value).sum() <= 2 * wanted:
        assert not drawn.gathered
        assert len(drawn.when) == np.isfinite(value).sum()
        return
    place = np.minimum(((when - 100) / (100 / wanted)).astype(int), wanted - 1)
    kept = [value[(place == i) & np.isfinite(value)] for i in range(wanted)]
    kept = [part for part in kept if len(part)]
    assert drawn.low.tolist() == [part.min() for part in kept]
    assert drawn.high.tolist() == [part.max() for part in kept]
    assert drawn.median == pytest.approx([np.median(part) for part in kept])
    assert drawn.count.tolist() == [len(part) for part in kept]
    assert np.all(np.diff(drawn.when) > 0)


def test_one_bad_reading_in_a_year_still_shows() -> None:
    n = 525_600
    value = np.full(n, 18.0)
    value[400_001] = 27.0
    drawn = pictures.gather(np.linspace(0, 365, n), value, 0.0, 365.0)
    assert drawn.high.max() == 27.0
    assert np.count_nonzero(drawn.high == 27.0) == 1
    assert len(drawn.when) == pictures.COLUMNS


def test_thinning_keeps_one_point_of_each_cell() -> None:
    rng = np.random.default_rng(3)
    when, value = rng.uniform(0, 1, 20_000), rng.uniform(0, 10, 20_000)
    x, y = pictures.thin(when, value, 0.0, 1.0, 50, 20)
    assert 900 < len(x) <= 1000
    # every point left out has a kept one within a cell of it
    kept = {
        (int(a * 50), int((b - value.min()) / (value.max() - value.min()) * 20))
        for a, b in zip(x, y, strict=True)
    }
    low, high = value.min(), value.max()
    for a, b in zip(when[:500], value[:500], strict=True):
        assert (int(a * 50), min(int((b - low) / (high - low) * 20), 19)) in kept or b == high
