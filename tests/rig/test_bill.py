"""The bill of materials as a table: what it must hold, what is refused, what the builds cost."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from skidwright.cli.app import run
from skidwright.errors import RigError
from skidwright.rig import bill

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "hardware" / bill.NAME).read_text(encoding="utf-8")
ITEMS = bill.load(ROOT / "hardware")


def changed(tmp_path, which, **values):
    """A hardware directory whose bill has values of one line changed."""
    rows = list(csv.DictReader(io.StringIO(TEXT)))
    next(row for row in rows if row["item"] == which).update(values)
    with (tmp_path / bill.NAME).open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return tmp_path


def test_totals_against_a_sum_of_our_own():
    """The file read by csv alone and summed up line by line."""
    for total in bill.totals(ITEMS):
        low = high = 0.0
        for row in csv.DictReader(io.StringIO(TEXT)):
            if total.group in ("", row["group"]):
                low += float(row[total.build]) * float(row["each_low_eur"])
                high += float(row[total.build]) * float(row["each_high_eur"])
        assert (total.low_eur, total.high_eur) == (pytest.approx(low), pytest.approx(high))
        assert 0 < total.low_eur < total.high_eur


def test_the_smallest_build_is_the_cheapest():
    whole = {t.build: t for t in bill.totals(ITEMS) if not t.group}
    assert whole["smallest"].high_eur < whole["recommended"].high_eur < whole["everything"].high_eur


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"everything": "2"}, "no build takes more"),
        ({"smallest": "-1"}, "none less than 0"),
        ({"smallest": "0.5"}, "whole quantities"),
        ({"each_low_eur": "900"}, "each_low_eur must be above 0"),
        ({"each_low_eur": "nan"}, "each_low_eur must be above 0"),
        ({"each_high_eur": "cheap"}, "each_high_eur takes a number"),
        ({"priced": "from memory"}, "month and source"),
        ({"may_be_replaced_by": ""}, "write 'none'"),
        ({"group": "wood"}, "group is one of"),
        ({"item": "PRV"}, "PRV stands twice"),
    ],
)
def test_a_line_that_makes_no_sense_is_refused_by_name(tmp_path, values, words):
    with pytest.raises(RigError, match=words):
        bill.load(changed(tmp_path, "SOV", **values))


def test_columns_and_file_that_are_not_there(tmp_path):
    with pytest.raises(RigError, match="cannot be read"):
        bill.load(tmp_path)
    (tmp_path / bill.NAME).write_text("item,part\n")
    with pytest.raises(RigError, match="first line must be item,group,part"):
        bill.load(tmp_path)
    (tmp_path / bill.NAME).write_text(TEXT + "X,board,a,b,c,d,e,piece,1,1,1,1,1,2026-11 from memory\n")
    with pytest.raises(RigError, match="13 columns are needed"):
        bill.load(tmp_path)


def test_the_command_lists_a_build_and_its_price(capsys):
    assert run(["bill", "--build", "smallest", "--json", "--hardware", str(ROOT / "hardware")]) == 0
    answer = json.loads(capsys.readouterr().out)
    listed = {item["item"]: item["quantity"] for item in answer["items"]}
    assert listed["P"] == 1
    assert "PRV" not in listed
    assert run(["bill", "--hardware", str(ROOT / "hardware")]) == 0
    said = capsys.readouterr().out
    assert "Together:" in said
    assert "from memory" in said
    assert run(["bill", "--build", "large"]) == 2


# What the build guide asks for in its steps, in its words, and the line of the bill that has it.
ASKED = {
    "fill by hand": "TEST_PUMP", "a hand pump": "TEST_PUMP", "cap what stays open": "PLUG",
    "deburr": "WORKSHOP",
    "earth stud": "EARTH", "a bench supply limited to 0.3 A": "BENCH", "another, limited to 0.1 A": "BENCH",
    "licensed electrician": "MAINS", "a 4-20 mA source": "TOOLS", "10 kilohm resistor": "TOOLS",
    "a steel and a brass washer": "TOOLS", "the gauge behind the reducer": "TPG", "coupling guard": "GUARD",
    "Machine locked out": "LOCK", "USB out for each": "USB", "the list": "F1",
    "pressure switch by its test": "PS",
}  # fmt: skip


@pytest.mark.parametrize(("words", "item"), ASKED.items())
def test_what_the_build_guide_asks_for_is_in_every_build(words, item):
    guide = " ".join((ROOT / "docs" / "build_guide.md").read_text(encoding="utf-8").split())
    assert words in guide
    line = next(i for i in ITEMS if i.item == item)
    assert line.everything > 0
    assert line.smallest > 0 or item == "TPG"  # that one belongs to a tap under pressure
