"""Records that cannot be, under good CRCs: taken, marked as not believable, and every command goes on.

The random part is `make absurd` in short; how a record is laid out is in docs/log_format.md.
"""

import absurd_records
import numpy as np
import pytest
import synthetic_log as sl
from skidboard import records
from skidwright.log import damage, dataset, layouts

ONE = {  # once ended whole commands: kind of record, field, value
    "a contact in the year 287396": (records.CONTACT, "utc_ms", 9_007_199_254_740_991),
    "a temperature below absolute zero": (records.SAMPLE, "temp_mean_cdeg", -32768),
    "an uptime of 585 million years": (records.SAMPLE, "uptime_ms", (1 << 64) - 1),
    "an event of that time": (records.MARK, "uptime_ms", (1 << 64) - 1),
    "a clean-up aimed at scale number 255": (records.CLEANUP, "a", 0x03FFFFFF),
    "a clean-up aimed at 42949673 % of water": (records.CLEANUP, "b", 0xFFFFFFFF),
    "more particles than the counters hold": (records.SAMPLE, "counts", 0xFFFFFFFF),
    "a loop state that there is not": (records.SAMPLE, "water_state", 200),
}


def spoiled(kind, field, value):
    """The invented log with its first record of a kind spoiled, and the record's number."""
    rows = absurd_records.invented_log()
    i = int(np.flatnonzero(rows["kind"] == kind)[0])
    row = rows[i : i + 1].view(layouts.SAMPLE if kind == records.SAMPLE else layouts.EVENT)
    row[field] = value
    return sl.log_bytes(rows), int(rows["seq"][i])


@pytest.fixture
def shop(tmp_path, monkeypatch):
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "NO_COLOR", "SKIDWRIGHT_ARCHIVE"):
        monkeypatch.setenv(name, "x")  # so that they are put back afterwards
    monkeypatch.chdir(tmp_path)
    return absurd_records.Shop(tmp_path / "shop")


@pytest.mark.parametrize("name", ONE)
def test_one_absurd_field_is_marked_and_nothing_else(shop, name):
    kind, field, value = ONE[name]
    raw, seq = spoiled(kind, field, value)
    data = dataset.decode(raw)
    assert data.report.totals == {damage.IMPOSSIBLE: 1} and not data.report.ok
    marked = data.samples["seq"][(data.marks & 32) != 0].tolist()
    meaningless = data.events["seq"][data.events["kind"] == 0].tolist()
    assert (marked, meaningless) == (([seq], []) if kind == records.SAMPLE else ([], [seq]))
    whole = dataset.decode(sl.log_bytes(absurd_records.invented_log()))
    assert whole.report.ok and len(whole) == len(data) and len(whole.events) == len(data.events)
    shop.log.write_bytes(raw)
    status, out, err = shop.run("check", "--all")
    assert status == 1 and damage.IMPOSSIBLE in out, err
    assert out.count("record-impossible") >= (2 if kind == records.SAMPLE else 0)
    for command in (("assess",), ("export", "samples.parquet"), ("cleanup", "--json")):
        assert not shop.complaint(*command), command


def test_any_absurd_records_through_every_command(shop):
    found = absurd_records.sweep(shop.folder / "random", 5000, 12, 2)
    assert found.pop("runs") == 24
    assert not found


def test_a_complaint_is_one(shop, monkeypatch):
    def broken(*_):
        raise ValueError("year 287396 is out of range")

    monkeypatch.setattr("skidwright.log.timeline.TimelineBuilder.build", broken)
    assert "unexpected ValueError" in shop.complaint("check")
