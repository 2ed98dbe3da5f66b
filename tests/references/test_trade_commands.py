"""The commands `code`, `fluid` and `water`, as typed, against the references the other files here name."""

import json

import pytest
import scipy.stats
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
    assert found["iso4406_code"] == "14/12/>=7"
    assert found["extra_21um"] == ">=7"
    channel = found["confidence"]["channels"][2]
    # Garwood's limits of 13 counts, 6.922 and 22.230 (chi-square tables, as in test_counting.py)
    assert (channel["low_per_ml"], channel["high_per_ml"]) == (0.6922, 2.223)
    assert sum(channel["probabilities"].values()) == pytest.approx(1, abs=0.01)
    assert answered("code --per-ml 1300 640 80", capsys).keys() == {
        "format", "version", "iso4406_code", "per_ml", "notes"}  # fmt: skip


def test_compare_by_scipy(capsys: pytest.CaptureFixture[str]) -> None:
    found = answered("code --counts 1600 400 13 --volume-ml 10 --compare 1900 420 25", capsys)["comparison"]
    for channel in found["channels"]:
        mine, theirs = channel["counts"]
        test = scipy.stats.binomtest(mine, mine + theirs)
        assert channel["p_value"] == pytest.approx(test.pvalue, rel=0.01)
        share = test.proportion_ci(0.95, "exact")
        assert channel["ratio_low"] == pytest.approx(share.low / (1 - share.low), rel=0.001)
        assert channel["ratio_high"] == pytest.approx(share.high / (1 - share.high), rel=0.001)
    # three channels: a chance of 0.05 / 3 is asked of each
    assert [channel["differs"] for channel in found["channels"]] == [True, False, False]
    assert found["differ"]
    more = "code --counts 1600 400 13 --volume-ml 10 --compare 3200 800 26 --compare-volume-ml 20"
    assert not answered(more, capsys)["comparison"]["differ"]
    none = answered("code --counts 0 0 0 --volume-ml 10 --compare 3 0 0", capsys)["comparison"]
    assert [channel["size_um"] for channel in none["channels"]] == [4]
    assert (none["channels"][0]["ratio"], none["channels"][0]["ratio_low"]) == (0, 0)


def test_volume_needed_by_scipy(capsys: pytest.CaptureFixture[str]) -> None:
    found = answered("code --per-ml 1800 420 38 --volume-needed --confidence 99", capsys)["volume_needed"]
    assert found["whole_code_ml"] == max(channel["number_ml"] for channel in found["channels"])
    for channel in found["channels"]:
        volume, per_ml = channel["no_mark_ml"], channel["per_ml"]
        assert (
            scipy.stats.poisson.sf(19, volume * 1.01 * per_ml)
            > 0.99
            > scipy.stats.poisson.sf(19, volume * 0.99 * per_ml)
        )
    # >=14: 38 per mL lies in number 12, above 20 and up to 40 per mL (ISO 4406): at that volume, and hardly
    # below, Garwood's upper limit by scipy is at 40
    volume = found["channels"][2]["number_ml"]
    assert scipy.stats.gamma.ppf(0.995, 38 * volume + 1) / volume == pytest.approx(40, rel=0.001)
    one_sided = answered("code --per-ml 1800 420 38 --target 18/16/13", capsys)["volume_needed"]
    volume = one_sided["channels"][2]["number_ml"]
    assert scipy.stats.gamma.ppf(0.95, 38 * volume + 1) / volume == pytest.approx(80, rel=0.005)
    above = answered("code --per-ml 1800 420 38 --target 17/16/13", capsys)["volume_needed"]
    assert above["channels"][0]["number_ml"] is None and above["whole_code_ml"] is None


def test_other_standards(capsys: pytest.CaptureFixture[str]) -> None:
    # 2,000,000 / 2,000 / 200 / 2 per 100 mL or more: by the tables in test_as4059_nas1638.py
    found = answered("code --per-ml 500 389 69.2 3.06 --standard as4059", capsys)
    assert found["as4059_cumulative"] == "6A/7B/7C/5D (partial)"
    assert found["as4059_differential"] == "8 (partial)"  # 14-21: 66.14 per mL, over 57.00
    assert found["partial"]
    found = answered("code --per-ml 500 389 69.2 3.06 0.5 0 --standard nas1638", capsys)
    assert (found["nas1638"], found["partial"]) == ("8", False)
    assert run(["code", "--per-ml", "500", "389", "69.2", "3.06", "--standard", "as4059"]) == 0
    seen = capsys.readouterr()
    assert "6A/7B/7C/5D (partial)" in seen.out
    assert "partial: not counted are E (>38 um), F (>70 um), 21-38 um, 38-70 um, >70 um" in seen.out
    found = answered("code --per-ml 500 389 69.2 3.06 --standard nas1638", capsys)
    assert found["nas1638"] == "8 (partial)" and found["missing"]
    found = answered("code --per-ml 500 389 69.2 3.06 0.5 0 --standard as4059", capsys)
    assert found["as4059_cumulative"] == "6A/7B/7C/5D/5E/000F"


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
        ("fluid --v40 46 --v100 6.8 --at -300", "-60<=x<=250"),
        ("fluid --v40 46 --v100 6.8 --at 1e9", "-60<=x<=250"),
        ("fluid --v40 46 --v100 6.8 --at -60.1", "-60<=x<=250"),
        ("fluid --v40 46 --v100 6.8 --at 250.1", "-60<=x<=250"),
        ("fluid --v40 3200 --v100 150 --at -60", "D341 does not hold"),
        ("fluid --v40 46 --v100 6.8 --viscosity 0.5", "outside -60 to 250 degC"),
        ("fluid --v40 nan --v100 6.8", "nan is not a finite number"),
        ("water --rs inf --temp 40", "inf"),
        ("code --counts 3 2 1 --volume-ml 1 --sensing-volume-ml nan", "not a finite number"),
        ("water --rs 110 --temp 40", "110"),
        ("code --per-ml 1300 640 80 --detail", "give --counts"),
        ("code --per-ml 1300 640 80 --compare 1 2 3", "give --counts"),
        ("code --counts 3 2 1 --volume-ml 1 --compare 3 2", "2 counts against 3"),
        ("code --counts 3 2 1 --volume-ml 1 --compare 3 2.5 1", "2.5 is not a whole number"),
        ("code --counts 0 0 0 --volume-ml 1 --compare 0 0 0", "no channel was counted in both"),
        ("code --counts 3 2 1 --volume-ml 1 --compare 3 2 1 --compare-volume-ml -1", "-1 is not above 0"),
        ("code --counts 3 2 1 --volume-ml 1 --compare 1e30 2 1", "too large"),
        ("code --counts 3 2 1 --volume-ml 1 --compare-volume-ml 3", "goes with --compare"),
        ("code --per-ml 3 2 1 --target 9/10/11", "--target 9/10/11"),
        ("code --per-ml * * * --volume-needed", "no channel"),
        ("code --per-ml nan 2 1", "nan: not a number"),
        ("code --per-ml 3 2 1 --confidence 101", "101"),
        ("code --per-ml 1 2 3 --standard nas1638", "rise with size"),
        ("fluid --v40 46 --v100 6.8 --viscosity 1e30", "D341 holds from"),
        ("fluid --v40 46 --v100 6.8 --at inf", "not in the range"),
        ("fluid --v40 1e30 --v100 1", "D341 holds from"),
        ("fluid --v40 0 --v100 -1", "D341 holds from"),
        ("water --rs 25 --temp 1e30", "not in the range"),
        ("water --rs 25 --temp -274", "not in the range"),
        ("water --rs 25 --temp 60 --to 1e30", "not in the range"),
        ("water --rs 25 --temp 60 --a 19 --b 1", "more than 100,000 ppm"),
        ("water --rs 25 --temp 60 --point 25 48 1e30 --point 60 20 180", "not in the range"),
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


@pytest.mark.parametrize(
    ("typed", "flagged"),
    [
        ("code --per-ml 1 2 3", "cumulative counts cannot rise with size"),
        ("fluid --v40 46 --v100 6.8 --at 150", "an extrapolation"),
        ("water --rs 25 --temp 150", "an extrapolation"),
        ("water --rs 1e-9 --temp 60", "no free water down to -60 degC"),
    ],
)
def test_answered_and_flagged(typed: str, flagged: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(typed.split()) == 0
    seen = capsys.readouterr()
    assert flagged in seen.err and "nan" not in seen.out and "inf" not in seen.out
    assert any(flagged in note for note in answered(typed, capsys)["notes"])


@pytest.mark.parametrize("name", ["code", "fluid", "water"])
def test_help_has_examples(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run([name, "--help"]) == 0
    assert f"Examples:\n    skidwright {name}" in capsys.readouterr().out.replace("  Examples", "Examples")
