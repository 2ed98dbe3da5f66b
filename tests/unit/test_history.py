"""Histories out of a log whose content the test wrote, and out of plain arrays."""

from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from skidboard import records
from skidwright.samples import history
from skidwright.samples.assessment import Assessment

T0 = sl.START_UTC_MS


def written(folder: Path, log: int, first_utc_ms: int, assets: tuple[int, ...]) -> Assessment:
    """A log of 60 samples, ten minutes apart, whose board met a host at its first minute."""
    body = sl.samples(60, seed=log, first_seq=2, assets=assets, first_uptime_ms=600_000)
    rows = sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, first_utc_ms + 60_000),
        body,
    )
    path = folder / sl.DEVICE.hex() / f"{log:08x}.skidlog"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(sl.log_bytes(rows, log=log))
    return Assessment(path)


def test_each_asset_gets_its_rows_of_all_logs_in_order_of_time(tmp_path: Path) -> None:
    late = written(tmp_path, 1, T0 + 86_400_000, (1, 2, 3))
    early = written(tmp_path, 2, T0, (2, 7))
    found = history.histories([late, early])
    assert {number: len(h) for number, h in found.items()} == {1: 20, 2: 50, 3: 20, 7: 30}
    for number, one in found.items():
        assert one.asset == number
        assert np.all(np.diff(one.when) > np.timedelta64(0))
    both = found[2]
    assert both.log_path(0) == early.path and both.log_path(len(both) - 1) == late.path
    # what stands in the bytes, read without the package: record `seq` follows from how the log was written
    raw = sl.samples(60, seed=1, first_seq=2, assets=(1, 2, 3), first_uptime_ms=600_000)
    assert np.array_equal(both.counts[30:], raw["counts"][raw["asset"] == 2])
    assert np.array_equal(both.seq[30:], raw["seq"][raw["asset"] == 2])
    assert np.array_equal(both.temperature_c[30:], raw["temp_mean_cdeg"][raw["asset"] == 2] / 100)
    assert set(history.histories([late, early], only=(3, 9))) == {3}


def test_arrays_become_a_history_with_codes_by_the_table() -> None:
    when = np.datetime64("2026-01-01T00:00:00", "ms") + np.arange(2).astype("timedelta64[h]")
    # 2500 per mL is 18, one more is 19; 320 is 15; 20 is 11; 5 is 9 (ISO 4406:2021, table 1)
    counts = np.array([[25_000, 3_200, 200, 50], [25_001, 3_200, 200, 50]])
    made = history.of_arrays(when, counts, 10.0, water_percent=[20, np.nan], water_verdict=[0, 2])
    assert made.code.tolist() == [[18, 15, 11, 9], [19, 15, 11, 9]]
    assert made.counts_verdict.tolist() == [history.VALID] * 2
    assert made.temperature_verdict.tolist() == [history.ABSENT] * 2
    assert made.verdict[1].tolist() == [0, 2, 3, 3]
    with pytest.raises(ValueError, match="counts"):
        history.of_arrays(when, np.zeros((2, 3)))
