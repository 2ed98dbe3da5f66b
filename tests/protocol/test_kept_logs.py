"""Logs of every layout, kept as boards once wrote them, say what they said then; two layouts side by side.

`kept_logs/NAME.skidlog` are the bytes, `NAME.json` what the naive reader, which knows nothing of the
project's code, said of them when they were kept. A file here is never made anew: that would prove nothing.
"""

import json
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from naive_reader import read_log, settings_in_full
from skidboard import records
from skidwright.log import damage, layouts
from skidwright.log.dataset import decode
from skidwright.samples.assessment import Assessment

KEPT = sorted((Path(__file__).parent / "kept_logs").glob("*.skidlog"))


def test_there_is_a_kept_log_of_each_layout():
    assert {raw[4] for raw in (path.read_bytes() for path in KEPT)} == {*records.LAYOUTS}
    assert {*layouts.FORMER} == {*records.LAYOUTS} - {records.LAYOUT}


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_a_kept_log_says_what_it_said(path):
    said = json.loads(path.with_suffix(".json").read_text("utf-8"))
    data = decode(path.read_bytes())
    assert data.report.ok and len(data.samples) == len(said["samples"]) > 3
    assert len(data.events) == len(said["events"]) > 15
    for rows, kept in ((data.samples, said["samples"]), (data.events, said["events"])):
        for row, then in zip(rows, kept, strict=True):
            for name, value in then.items():
                if name in rows.dtype.names:
                    now = row[name].decode() if name == "text" else row[name].tolist()
                    assert now == value, (int(row["seq"]), name)


@pytest.mark.parametrize("path", KEPT, ids=lambda path: path.stem)
def test_a_kept_log_is_judged(path, tmp_path):
    raw = path.read_bytes()
    place = tmp_path / raw[8:16].hex() / f"{struct.unpack_from('<I', raw, 16)[0]:08x}.skidlog"
    place.parent.mkdir()
    place.write_bytes(raw)
    said = json.loads(path.with_suffix(".json").read_text("utf-8"))
    settings = {"assets": [1], "rest_s": 20, "purge_volume_ul": 80000, "settle_ms": 5000}
    # The older firmware's log does not hold its settings in full: the skid.toml of that time proves them.
    # Where this fails after a new setting, `settings_in_force.EARLIER` does not say what there was before.
    log = Assessment(place, board_settings=settings)
    data, verdicts = log.whole()
    assert log.report.ok and log.chain.ok and log.chain.links > 0
    assert len(settings_in_full(read_log(raw).events)) == (2 if "in_full" in path.stem else 0)
    if "in_full" in path.stem:
        assert not Assessment(place).whole()[1].hit("settings-unknown").any()
    crcs = list(dict.fromkeys(sample["settings_crc"] for sample in said["samples"]))
    assert len(crcs) == 2 and not verdicts.hit("settings-unknown").any()
    for sample, percent, per_ml in zip(said["samples"], verdicts.water_percent, verdicts.per_ml, strict=True):
        # By hand: 4 to 20 mA are 0 to 100 %, and 0 to 90 % from the change of settings on.
        top = 100 if sample["settings_crc"] == crcs[0] else 90
        assert percent == pytest.approx((sample["water_mean_ua"] - 4000) / 16000 * top)
        assert per_ml == pytest.approx(np.array(sample["counts"]) / sample["volume_ul"] * 1000)


def as_former(rows, sample):
    """Rows of an invented former layout 7: fields in another order, some of today's not there yet."""
    fields = records.SAMPLE_FIELDS if sample else records.EVENT_FIELDS
    head, body = fields[: len(records.HEAD_FIELDS)], fields[len(records.HEAD_FIELDS) : -1]
    body = tuple(field for field in reversed(body) if field[0] not in ("calibration_due_day", "d"))
    size = sum(struct.calcsize("<" + form) for _, form in (*head, *body))
    made = (*head, *body, ("padding", f"{140 - size}s"), ("crc", "I"))
    kind = layouts.dtype_of(made)
    out = np.zeros(len(rows), kind)
    for name in kind.names:
        if name in rows.dtype.names:
            out[name] = rows[name]
    out["layout"] = 7
    raw = out.view(np.uint8).reshape(len(rows), 144).copy()
    for row in raw:
        row[140:] = np.frombuffer(struct.pack("<I", zlib.crc32(row[:140], 0x2144DF1C)), np.uint8)
    return kind, raw


def test_a_former_layout_is_read_beside_the_present_one(monkeypatch):
    samples = sl.samples(28)
    events = np.concatenate(
        [sl.event(records.MARK, 28 + k, 1, 20_000_000 + k, text=f"m{k}", a=k, d=9) for k in range(28)]
    )
    raw = bytearray(sl.log_bytes(sl.merged(samples, events)))
    kind_s, former_s = as_former(samples, True)
    kind_e, former_e = as_former(events, False)
    # The first segment is headed by the former layout, the second by today's; both hold records of either.
    for k in range(0, 28, 2):
        raw[64 + 144 * k : 64 + 144 * (k + 1)] = former_s[k].tobytes()
        raw[4096 + 64 + 144 * k : 4096 + 64 + 144 * (k + 1)] = former_e[k].tobytes()
    raw[4] = 7
    raw[60:64] = struct.pack("<I", zlib.crc32(raw[:60]))

    unknown = decode(bytes(raw))
    assert unknown.report.totals[damage.UNKNOWN_LAYOUT] == 1 + 14 + 14, "and none of them is guessed at"
    assert len(unknown.samples) == len(unknown.events) == 14

    monkeypatch.setattr(records, "LAYOUTS", (records.LAYOUT, 7))
    monkeypatch.setitem(layouts.FORMER, 7, layouts.Former(kind_s, kind_e))
    read = decode(bytes(raw))
    assert not read.report.totals
    for name in set(layouts.SAMPLE.names) - {"layout", "crc", "calibration_due_day"}:
        assert np.array_equal(read.samples[name], samples[name]), name
    assert read.samples["calibration_due_day"].tolist() == [0, 20_000] * 14
    for name in set(layouts.EVENT.names) - {"layout", "crc", "d"}:
        assert np.array_equal(read.events[name], events[name]), name
    assert read.events["d"].tolist() == [0, 9] * 14
