"""Parquet as other engines read it: DuckDB and pyarrow against the CSV."""

import csv

import duckdb
import pyarrow.parquet
import pytest
from command_line import assert_one_line


@pytest.fixture
def exported(shop, tmp_path):
    here = tmp_path / "here"
    for target in (("s.csv",), ("s.parquet",), ("parts", "--partition", "asset,month")):
        shown = shop("export", *target)
        assert shown.status == 0, shown.err
    return here


def test_same_rows_as_the_csv(exported):
    with (exported / "s.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    table = pyarrow.parquet.read_table(exported / "s.parquet")
    assert table.column_names == list(rows[0])
    assert table.num_rows == len(rows) == 60
    for name in ("iso4406_code", "counts_verdict", "raw_count_from_4um", "water_saturation_percent"):
        for value, text in zip(table[name].to_pylist(), (row[name] for row in rows), strict=True):
            assert value is None and text == "" or str(value) == text or value == pytest.approx(float(text))


def test_duckdb_reads_the_parts(exported):
    found = duckdb.sql(
        f"select asset, month, count(*), sum(raw_count_from_4um), min(utc) from "
        f"read_parquet('{exported}/parts/**/*.parquet', hive_partitioning=true) group by 1, 2 order by 1"
    ).fetchall()
    with (exported / "s.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(int(asset), month, n) for asset, month, n, *_ in found] == [
        (1, "2026-01", 30),
        (2, "2026-01", 30),
    ]
    for asset, _, _, total, _ in found:
        assert total == sum(int(row["raw_count_from_4um"]) for row in rows if row["asset"] == str(asset))


def test_times_are_times(exported):
    utc = duckdb.sql(
        f"select typeof(utc), epoch_ms(min(utc)) from '{exported}/s.parquet' group by 1"
    ).fetchall()[0]
    assert utc[0] == "TIMESTAMP WITH TIME ZONE"
    with (exported / "s.csv").open(newline="") as file:
        first = next(csv.DictReader(file))["utc"]
    assert duckdb.sql(f"select epoch_ms(timestamptz '{first}')").fetchall()[0][0] == utc[1]


def test_refusals(shop, exported):
    assert_one_line(shop("export", "parts", "--partition", "asset"), "something already", "empty")
    assert_one_line(shop("export", "x", "--partition", "device"), "--partition device", "asset")
    assert_one_line(shop("export", "x", "--partition", "asset", "--format", "csv"), "Parquet")
    assert_one_line(shop("export", "-", "--format", "parquet"), "standard output")
    assert_one_line(shop("export", "no/such/place.parquet"), "place.parquet")


def test_without_pyarrow_it_says_what_to_install(shop, monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    assert_one_line(shop("export", "x.parquet"), "pyarrow", "skidwright[parquet]")
