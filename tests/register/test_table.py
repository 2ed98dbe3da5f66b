"""Tables in CSV come back exactly, and what is wrong in one is named by line and column."""

import csv
import datetime
import io
import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skidwright.errors import RegisterError
from skidwright.register import AssetRecord, Component
from skidwright.register.fields import BY_NAME, CODE, DATE, FIELDS, NOTES, NUMBER, SCALE
from skidwright.register.table import read_table, write_table

_printable = st.characters(codec="utf-8", categories=("L", "N", "P", "S"))
_line = st.text(st.one_of(_printable, st.sampled_from(",;\"' =")), max_size=60).map(str.strip)
_code = st.lists(st.integers(0, 28), min_size=3, max_size=3).map(lambda n: tuple(sorted(n, reverse=True)))


def _values(field):
    if field.kind == NUMBER:
        return st.none() | st.floats(field.low, field.high)
    return {
        SCALE: st.none() | st.integers(0, 28),
        # Nothing that is yet to come is read back as done.
        DATE: st.none() | st.dates(datetime.date(1970, 1, 1), datetime.date(2020, 12, 31)),
        CODE: st.none() | _code,
        NOTES: st.lists(_line, max_size=4).map("\n".join).map(str.strip),
    }.get(field.kind, _line)


@st.composite
def assets(draw):
    """Any asset that the register takes."""
    values = {field.name: draw(_values(field)) for field in FIELDS}
    if (values["water_a"] is None) != (values["water_b"] is None):
        values["water_a"] = values["water_b"] = None
    parts = st.builds(Component, _line.filter(bool), st.none() | st.floats(0, 2000), _line)
    values["components"] = tuple(draw(st.lists(parts, max_size=4)))
    return AssetRecord(draw(st.integers(1, 65535)), **values)


@settings(max_examples=30, deadline=None)
@given(st.lists(assets(), max_size=5, unique_by=lambda record: record.number))
def test_a_table_comes_back_exactly(records) -> None:
    text = write_table(records)
    assert read_table(text, {}, "t") == records
    # the other way round: whatever stood there before is replaced, since every column is in the table
    before = {record.number: AssetRecord(record.number, "old", notes="old") for record in records}
    assert read_table(text, before, "t") == records
    # and any reader of CSV finds rectangular rows
    assert len({len(row) for row in csv.reader(io.StringIO(text, newline=""))}) == 1


def test_a_float_is_the_same_after_a_round_trip() -> None:
    for value in (0.1, 1 / 3, 1e-3, 123456.789, 7.0):
        (record,) = read_table(write_table([AssetRecord(1, volume_l=value)]), {}, "t")
        assert record.volume_l == value


def test_columns_left_out_change_nothing_and_empty_cells_strike_out() -> None:
    before = {7: AssetRecord(7, "Crane", "quay", volume_l=40.0, components=(Component("vane pump"),))}
    (record,) = read_table("number,name\n7,Crane 2\n", before, "t")
    assert record == AssetRecord(7, "Crane 2", "quay", volume_l=40.0, components=(Component("vane pump"),))
    (record,) = read_table("number,machine,volume_l\n7,,\n", before, "t")
    assert record == AssetRecord(7, "Crane", components=(Component("vane pump"),))
    (record,) = read_table("component_2_type,number,component_1_type\ngear pump,7,\n\n,,\n", before, "t")
    assert record.components == (Component("gear pump"),)


def test_what_spreadsheets_of_other_countries_write_is_read() -> None:
    text = '\ufeffnumber;name;volume_l;v40_mm2_s\r\n7;"Größe; 3";250,5;46\r\n8;x;1.5;\r\n'
    assert read_table(text, {}, "t") == [
        AssetRecord(7, "Größe; 3", volume_l=250.5, v40_mm2_s=46.0),
        AssetRecord(8, "x", volume_l=1.5),
    ]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("number,name\n7,a\n8,b\n9,\x07\n", "t: line 4, column name"),
        ("number,volume_l\n7,1\n8,ten\n", "t: line 3, column volume_l: 'ten' is not a number"),
        ("number,volume_l\n7,-1\n", "give 0.001 to 1e+07 L"),
        ("number,volume_l\n7,nan\n", "column volume_l"),
        ("number,volume_l\n7,inf\n", "column volume_l"),
        ('number,notes,volume_l\n7,"two\nlines",1\n8,,x\n', "line 4, column volume_l"),
        ("number,target_iso4406\n7,18/20/13\n", "line 2, column target_iso4406: numbers run"),
        ("number,target_21um\n7,9.5\n", "column target_21um: '9.5' is not a whole number"),
        ("number,filter_fitted\n7,31.3.2026\n", "is not a date such as 2026-03-31"),
        ("number,filter_fitted\n7,2920-01-01\n", "column filter_fitted: 2920-01-01 is yet to come"),
        ("number\nseven\n", "line 2, column number: 'seven' is no asset number"),
        ("number\n0\n", "asset numbers run from 1 to 65535"),
        ("number\n70000\n", "asset numbers run"),
        ("number\n٣\n", "is no asset number"),
        ("number,name\n7,a\n7,b\n", "line 3, column number: 7 stands twice"),
        ("number,water_a\n7,7.1\n", "line 2, column water_a"),
        ("number,component_1_pressure_bar\n7,210\n", "line 2, column component_1_type: a component needs"),
        (
            "number,component_1_type,component_1_pressure_bar\n7,pump,9999\n",
            "column component_1_pressure_bar",
        ),
        ("number,volume\n7,1\n", "line 1, 'volume': there is no such column; did you mean volume_l?"),
        ("number,component_51_type\n7,1\n", "there is no such column"),
        ("number,name,name\n7,1,2\n", "line 1, 'name': stands twice"),
        ("name\nx\n", "the column number is missing"),
        ("", "the column number is missing"),
        ("number,name\n7,a,b\n", "line 2, column 3: a cell without a head"),
        ('number,name\n7,"a\n', "no table in CSV"),
    ],
)
def test_the_first_wrong_cell_is_named(text: str, words: str) -> None:
    with pytest.raises(RegisterError) as caught:
        read_table(text, {}, "t")
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_every_head_that_is_a_measure_carries_its_unit() -> None:
    endings = ("_l", "_h", "_c", "_um", "_percent", "_mm2_s")
    unitless = {"water_a", "water_b", "filter_ratio"}  # B is in kelvin, as the formula's B always is
    for name, field in BY_NAME.items():
        if field.kind == NUMBER and name not in unitless:
            assert name.endswith(endings), name
    assert all(set(name) <= set(string.ascii_lowercase + string.digits + "_") for name in BY_NAME)


@settings(max_examples=200, deadline=None)
@given(
    st.text(max_size=200)
    | st.text(st.sampled_from('number,name;"\r\n\t 7x'), max_size=80).map("number,name\n".__add__)
)
def test_any_text_is_a_table_or_one_line_that_says_why_not(text: str) -> None:
    try:
        read_table(text, {}, "t")
    except RegisterError as error:
        assert "\n" not in str(error) and str(error).startswith("t")


def test_no_cell_is_a_formula_and_all_read_back() -> None:
    for text in ('=cmd|"/C calc"!A0', "+1", "-1", "@x", "'=1", "it's"):
        record = AssetRecord(1, name=text, components=(Component("gear pump", None, text),))
        table = write_table([record])
        for cell in next(iter(csv.reader(io.StringIO(table.splitlines()[1])))):
            assert cell[:1] not in tuple("=+-@")
        assert read_table(table, {}, "here") == [record]
