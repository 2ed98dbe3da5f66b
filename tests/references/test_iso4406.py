"""ISO 4406 scale numbers against the published table, and host and board against each other."""

import json
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from skidboard import cleanliness
from skidwright.formulas import iso4406

# Source named in the file.
TABLE = json.loads((Path(__file__).parent / "iso4406_table.json").read_text())["rows"]


def published_number(per_ml: Decimal) -> int:
    """The row of the published table that holds `per_ml`, 29 above it; 0 particles belong to row 0."""
    for number, more_than, up_to in TABLE:
        if Decimal(more_than) < per_ml <= Decimal(up_to):
            return int(number)
    return 0 if per_ml == 0 else 29


def test_table_is_whole() -> None:
    assert sorted(row[0] for row in TABLE) == list(range(29))
    assert iso4406.UPPER_PER_ML.tolist() == sorted(float(row[2]) for row in TABLE)


@pytest.mark.parametrize(("number", "more_than", "up_to"), TABLE)
def test_each_row_holds_to_the_last_digit(number: int, more_than: str, up_to: str) -> None:
    low, high = float(more_than), float(up_to)
    found = iso4406.scale_numbers(
        [np.nextafter(low, np.inf), (low + high) / 2, high, np.nextafter(high, np.inf)]
    )
    assert found.tolist() == [number, number, number, number + 1]
    assert (
        iso4406.code_of_per_ml([up_to, up_to + ("0" if "." in up_to else ".0"), "-"]).numbers[:2]
        == (number,) * 2
    )


def test_printed_examples() -> None:
    # Petro-Canada Lube Source Handbook (as above): 14/12/>=7 with fewer than 20 particles counted at >=14 um.
    assert iso4406.code_of_counts([1600, 400, 13], 10).text == "14/12/>=7"
    assert iso4406.code_of_per_ml([1300.01, 640, 80]).text == "18/16/13"
    # Steps of the table that a doubling gets wrong: 1305, 2550 and 10.2 per mL.
    assert iso4406.scale_numbers([1305, 2550, 10.2]).tolist() == [18, 19, 11]


def test_no_slip_where_a_quotient_of_floats_slips() -> None:
    assert 0.1 * 6.4 > 0.64  # the slip this is about
    assert iso4406.code_of_counts([64, 64, 65], 100).numbers == (6, 6, 7)
    assert iso4406.code_of_counts([1300, 64, 64], 0.1, 0.1 * 10).numbers == (21, 16, 16)
    assert iso4406.code_of_counts([39, 39, 39], 30).numbers == (7, 7, 7)
    assert iso4406.code_of_counts([90, 90, 90], "1.8", "26").numbers == (17, 17, 17)
    assert iso4406.scale_numbers_of_counts([64, 65, 39000], [100_000, 100_000, 30_000]).tolist() == [6, 7, 17]


def test_few_particles_is_asked_of_the_raw_count() -> None:
    code = iso4406.code_of_counts([20, 19, 0], 10, dilution=100)
    assert code.text == "15/>=15/>=0"
    assert code.at_least == (False, True, True)


def test_marks_and_above_the_table() -> None:
    code = iso4406.code_of_per_ml(["*", 2500000.5, "-"])
    assert code.text == "*/>28/-"
    assert code.numbers == (None, 29, None)
    assert iso4406.code_of_counts([10, "-", "*"], "0.000001").text == ">28/-/*"


def test_21um_is_only_a_labelled_extra() -> None:
    code = iso4406.code_of_per_ml([1300.01, 640, 80, 6])
    assert code.text == "18/16/13"
    assert code.extra_21um == "10"
    assert str(code) == "18/16/13 (extra, 21 um(c): 10)"


@pytest.mark.parametrize(
    ("call", "said"),
    [
        (lambda: iso4406.code_of_per_ml([1, 2]), "three channels"),
        (lambda: iso4406.code_of_per_ml([1, 2, -3]), "-3 is negative"),
        (lambda: iso4406.code_of_per_ml([1, "x", 3]), "'x' is not a number"),
        (lambda: iso4406.code_of_per_ml([1, float("nan"), 3]), "nan is not a number that can be used"),
        (lambda: iso4406.code_of_per_ml([1, 2, "1e999999999"]), "'1e999999999' is not a number that"),
        (lambda: iso4406.code_of_counts([1, 2, 3], 0), "0 is not above 0"),
        (lambda: iso4406.code_of_counts([1, 2, 3], 1, 0.5), "0.5 is below 1"),
        (lambda: iso4406.code_of_counts([1.5, 2, 3], 1), "1.5 is not a whole number"),
        (lambda: iso4406.scale_numbers([-1.0]), "cannot be negative"),
        (lambda: iso4406.scale_numbers_of_counts([1], [0]), "volumes above 0"),
        (lambda: iso4406.code_texts([[1, 2, 300]]), "from 0 to 29"),
        (lambda: iso4406.code_texts([1, 2, 3]), r"\(n, 3\)"),
    ],
)
def test_refusals_say_what_is_wrong(call, said: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(ValueError, match=said):
        call()


def test_texts_of_many() -> None:
    texts = iso4406.code_texts([[18, 16, 13], [29, 255, 7]], [[False, False, False], [False, False, True]])
    assert texts == ["18/16/13", ">28/-/>=7"]
    assert iso4406.code_texts(np.empty((0, 3), dtype=int)) == []


@given(st.integers(0, 2**32 - 1), st.integers(1, 2**32 - 1))
def test_host_board_and_published_table_agree(count: int, volume_ul: int) -> None:
    wanted = published_number(Decimal(count) * 1000 / Decimal(volume_ul))
    assert cleanliness.scale_number(count, volume_ul) == wanted
    assert iso4406.scale_numbers_of_counts(count, volume_ul) == wanted


@given(st.sampled_from(TABLE), st.integers(1, 100_000), st.integers(-1, 1))
def test_host_and_board_agree_about_limits(row: list, hundred_ml: int, step: int) -> None:
    count = int(Decimal(row[2]) * 100) * hundred_ml + step
    volume_ul = 100_000 * hundred_ml
    wanted = published_number(Decimal(count) * 1000 / Decimal(volume_ul))
    assert step != 0 or wanted == row[0]
    assert cleanliness.scale_number(count, volume_ul) == wanted
    assert iso4406.code_of_counts([count] * 3, Decimal(volume_ul) / 1000).numbers[0] == wanted


@given(st.lists(st.floats(0, 1e7), min_size=2, max_size=30))
def test_more_particles_never_give_a_lower_number(per_ml: list[float]) -> None:
    assert (np.diff(iso4406.scale_numbers(sorted(per_ml))) >= 0).all()
