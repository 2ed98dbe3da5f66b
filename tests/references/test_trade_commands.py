"""The commands `code`, `fluid` and `water`, as typed, against the references the other files here name."""

import json

import pytest
from chemicals.viscosity import viscosity_index
from skidwright.cli.app import run


@pytest.mark.parametrize(
    ("typed", "printed"),
    [
        # Petro-Canada Lube Source Handbook: 14/12/>=7; the other codes by its table (iso4406_table.json)
        ("--per-ml 1300.01 640 80", "18/16/13"),
        ("--per-ml=1300 640 80", "17/16/13"),
        ("--counts 1600 400 13 --volume-ml 10", "14/12/>=7"),
        ("--volume-ml 10 --dilution 1 --counts 1600 400 13", "14/12/>=7"),
        ("--counts 160 40 13 --volume-ml 10 --dilution 10", "14/12/>=11"),
        ("--per-ml * - 80", "*/-/13"),
        ("--per-ml 2500001 .64 0", ">28/6/0"),
        ("--counts 64 - 65 --volume-ml 100", "6/-/7"),
        # beyond 1/(e v) there is no count
        ("--counts 4000 20 30 --volume-ml 1 --sensing-volume-ml 1e-4", "*/12/12"),
    ],
)
def test_code(typed: str, printed: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["code", *typed.split()]) == 0
    assert capsys.readouterr().out == printed + "\n"


def answered(typed: str, capsys: pytest.CaptureFixture[str]) -> dict:  # type: ignore[type-arg]
    assert run([*typed.split(), "--json"]) == 0
    return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]


def test_code_in_json(capsys: pytest.CaptureFixture[str]) -> None:
    found = answered("code --counts 1600 400 13 7 --volume-ml 10", capsys)
    assert found["iso4406"] == "14/12/>=7"
    assert found["extra_21um"] == ">=7"
    channel = found["confidence"]["channels"][2]
    # Garwood's limits of 13 counts, 6.922 and 22.230 (chi-square tables, as in test_counting.py)
    assert (channel["low_per_ml"], channel["high_per_ml"]) == (0.6922, 2.223)
    assert sum(channel["probabilities"].values()) == pytest.approx(1, abs=0.01)
    assert answered("code --per-ml 1300 640 80", capsys).keys() == {"iso4406", "per_ml", "notes"}


def test_other_standards(capsys: pytest.CaptureFixture[str]) -> None:
    # 2,000,000 / 2,000 / 200 / 2 per 100 mL or more: by the tables in test_as4059_nas1638.py
    found = answered("code --per-ml 500 389 69.2 3.06 --standard as4059", capsys)
    assert found["as4059_cumulative"] == "6A/7B/7C/5D"
    assert found["as4059_differential"] == "8"  # 14-21: 66.14 per mL, over 57.00
    assert found["partial"]
    found = answered("code --per-ml 500 389 69.2 3.06 0.5 0 --standard nas1638", capsys)
    assert (found["nas1638"], found["partial"]) == ("8", False)
    assert run(["code", "--per-ml", "500", "389", "69.2", "3.06", "--standard", "as4059"]) == 0
    seen = capsys.readouterr()
    assert "6A/7B/7C/5D" in seen.out
    assert "partial" in seen.err


def test_fluid(capsys: pytest.CaptureFixture[str]) -> None:
    found = answered("fluid --v40 46 --v100 6.8 --at 20", capsys)
    assert found["iso_vg"] == 46
    assert found["viscosity_index"] == pytest.approx(viscosity_index(46e-6, 6.8e-6), abs=0.01)
    # the plain Walther equation, worked on paper: log log 46.7, log log 7.5, straight in log T
    assert found["viscosity_mm2_s"] == pytest.approx(133.8, rel=0.002)
    back = answered(f"fluid --v40 46 --v100 6.8 --viscosity {found['viscosity_mm2_s']}", capsys)
    assert back["temperature_c"] == pytest.approx(20, abs=0.01)
    assert answered("fluid --v40 55 --v100 7", capsys)["iso_vg"] is None


def test_water(capsys: pytest.CaptureFixture[str]) -> None:
    # by the printed solubility table of test_water.py: 242 ppm at 60, 121 at 40 degC
    found = answered("water --rs 25 --temp 60 --to 40", capsys)
    assert found["rs_percent"] == pytest.approx(50, abs=0.5)
    assert found["content_ppm"] == pytest.approx(60.5, rel=0.01)
    assert 20 < found["free_water_below_c"] < 24
    assert found["constants"]["name"] == "mineral-7.09"
    wet = answered("water --rs 90 --temp 60 --to 10", capsys)
    assert wet["rs_percent"] == 100
    assert wet["free_water_ppm"] == pytest.approx(0.9 * 242 - 36, rel=0.02)
    own = answered("water --rs 25 --temp 60 --point 25 48 180 --point 60 20 180", capsys)
    assert own["constants"]["name"] == "fitted"
    assert own["content_ppm"] == pytest.approx(0.25 * 180 / 0.2)
    assert answered("water --rs 0 --temp 60", capsys)["free_water_below_c"] is None


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("code", "either --per-ml or --counts"),
        ("code --per-ml 1 2", "2 values given"),
        ("code --per-ml 1 2 3 4 5", "5 values given"),
        ("code --per-ml 9 8 seven", "seven: not a number"),
        ("code --per-ml -3 2 1", "-3 is negative"),
        ("code --per-ml 1e999 2 1", "not a number that can be used"),
        ("code --counts 3 2 1", "give --volume-ml"),
        ("code --counts 3 2 1 --volume-ml 0", "0 is not above 0"),
        ("code --counts 3 2.5 1 --volume-ml 1", "2.5 is not a whole number"),
        ("code --per-ml 3 2 1 --dilution 2", "go with --counts"),
        ("code --per-ml 3 - 1 --standard as4059", "on both sides"),
        ("fluid --v40 6 --v100 46", "must be the lower one"),
        ("fluid --v40 46 --v100 6.8 --at -300", "absolute zero"),
        ("fluid --v40 nan --v100 6.8", "nan is not a finite number"),
        ("water --rs inf --temp 40", "inf"),
        ("code --counts 3 2 1 --volume-ml 1 --sensing-volume-ml nan", "not a finite number"),
        ("water --rs 110 --temp 40", "110"),
        ("water --rs 11 --temp 40 --a 7", "belong together"),
        ("water --rs 11 --temp 40 --point 1 2 3", "two are needed"),
    ],
)
def test_one_line_and_status_2(typed: str, said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(typed.split()) == 2
    seen = capsys.readouterr()
    assert seen.out == ""
    assert said in seen.err
    assert seen.err.count("\n") == 1


@pytest.mark.parametrize("name", ["code", "fluid", "water"])
def test_help_has_examples(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([name, "--help"]) == 0
    assert f"Examples:\n    skidwright {name}" in capsys.readouterr().out.replace("  Examples", "Examples")
