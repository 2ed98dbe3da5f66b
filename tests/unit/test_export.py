"""The CSV export read back by Python's own csv module and compared with the records."""

import csv
import io

import numpy as np
import pytest
import synthetic_log as sl
from skidwright.checks import CheckLimits, judge
from skidwright.log import dataset
from skidwright.log.timeline import TimelineBuilder
from skidwright.papers import export

# Every header says its unit, but for names, numbers and words that have none.
UNITS = ("_ms", "_s", "_ml", "_per_ml", "_ml_min", "_ma", "_degc", "_percent")
WITHOUT = {
    "utc",
    "asset",
    "run",
    "sequence_number",
    "segment",
    "slot",
    "boot",
    "reasons",
    "iso4406_code",
    "fault_bits",
}


def written(n, with_time=True, **changes):
    log = sl.good_log(n, contact_every=50, assets=(3, 8))
    data = dataset.decode(log)
    for name, value in changes.items():
        data.samples[name] = value
    builder = TimelineBuilder()
    builder.add(data.samples, data.events)
    line = builder.build() if with_time else None
    verdicts = judge(data, CheckLimits(sensing_volume_ml=2.5e-6), None, line)
    target = io.StringIO(newline="")
    assert export.write_csv([(data, verdicts)], target) == len(data)
    return data, verdicts, list(csv.DictReader(io.StringIO(target.getvalue(), newline="")))


@pytest.mark.parametrize("n", [40, 2500])
def test_values_read_back(n):
    data, verdicts, rows = written(n)
    assert len(rows) == len(data)
    for i in (0, 1, 17, len(data) - 1):
        row, sample = rows[i], data.samples[i]
        assert row["utc"].endswith("Z")
        assert np.datetime64(row["utc"][:-1], "ms").astype(np.int64) == verdicts.utc_ms[i]
        assert int(row["asset"]) == sample["asset"] and int(row["sequence_number"]) == sample["seq"]
        assert int(row["raw_count_from_14um"]) == sample["counts"][2]
        assert float(row["counted_volume_ml"]) == sample["volume_ul"] / 1000
        assert float(row["flow_mean_ml_min"]) == pytest.approx(
            sample["flow_mean_ul_s"] * 60 / 1000, abs=0.006
        )
        assert float(row["temperature_lowest_degc"]) == sample["temp_min_cdeg"] / 100
        assert float(row["water_loop_mean_ma"]) == sample["water_mean_ua"] / 1000
        assert float(row["water_saturation_percent"]) == pytest.approx(
            (sample["water_mean_ua"] - 4000) / 160, abs=0.006
        )
        assert float(row["particles_from_4um_per_ml"]) == pytest.approx(verdicts.per_ml[i, 0], abs=6e-4)
        assert row["counts_verdict"] == "valid" and row["metal_verdict"] == "not measured"
        assert row["iso4406_code"] == "/".join(str(c) for c in verdicts.codes[i, :3])


def test_negative_temperatures_and_reasons():
    data, verdicts, rows = written(1500, temp_min_cdeg=-1234, flow_min_ul_s=100)
    assert {row["temperature_lowest_degc"] for row in rows} == {"-12.34"}
    assert {row["counts_verdict"] for row in rows} == {"rejected"}
    assert all({"flow-band", "flow-unsteady"} <= set(row["reasons"].split()) for row in rows)


def test_few_particles_and_unknown_time():
    _, _, rows = written(60, with_time=False, counts=[100, 40, 19, 2])
    assert {row["utc"] for row in rows} == {""} == {row["utc_uncertainty_ms"] for row in rows}
    assert all(row["iso4406_code"].split("/")[2].startswith(">=") for row in rows)


def test_refused_concentrations_are_empty():
    _, _, rows = written(60, counts=[9_000_000, 40_000, 1900, 200])
    assert {row["particles_from_4um_per_ml"] for row in rows} == {""}
    assert all(row["iso4406_code"].startswith("-/") for row in rows)


def test_headers_carry_units_and_lines_end_as_rfc_4180_has_it():
    for name in export.HEADERS:
        plain = name.endswith("_verdict") or name.startswith("raw_count_") or name in WITHOUT
        assert plain or name.endswith(UNITS), name
    assert len(set(export.HEADERS)) == len(export.HEADERS)
    target = io.StringIO(newline="")
    assert export.write_csv([], target) == 0
    assert target.getvalue() == ",".join(export.HEADERS) + "\r\n"
