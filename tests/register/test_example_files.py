"""The example of docs/programme.md works as it stands there."""

import csv
import re
from pathlib import Path

DOCS = Path(__file__).resolve().parents[2] / "docs"
TEXT = (DOCS / "programme.md").read_text("utf-8")


def test_the_example_s_machines_are_those_of_the_ferry_and_marked_invented(run) -> None:
    from skidwright.sim import scenario

    assert run("asset", "import", DOCS / "machines.csv").status == 0
    known = {row["number"]: row for row in run("asset", "list", "--json").json["assets"]}
    assert all(row["notes"] == "Invented example" for row in known.values())
    for asset in scenario.load("ferry").asset:
        row = known[asset.number]
        assert (row["name"], row["volume_l"], row["v40_mm2_s"]) == (asset.name, asset.tank_l, asset.v40_mm2_s)
    with (DOCS / "machines.csv").open(encoding="utf-8", newline="") as file:
        assert len({len(row) for row in csv.reader(file)}) == 1


def test_the_suggestion_in_the_text_is_what_the_command_says(run) -> None:
    run("asset", "import", DOCS / "machines.csv")
    said = run("asset", "suggest", 12).out.splitlines()
    (shown,) = re.findall(r"```text\n(.*?)```", TEXT, flags=re.S)
    assert [line for line in shown.splitlines() if line not in said] == []
    for number in (11, 12, 13):
        answer = run("asset", "suggest", number, "--json")
        assert answer.status == 0
        # the operator took one scale number cleaner throughout
        assert run("asset", "show", number, "--json").json["target_iso4406"] == answer.json["target"]


def test_the_money_in_the_text_is_what_the_command_says(run) -> None:
    answer = run("payback", "--costs", DOCS / "costs.toml", "--json").json
    benefit, years = answer["benefit_per_year"], answer["payback_years"]
    text = " ".join(TEXT.split())
    assert f"{benefit['p50']:,.0f}, from {benefit['p5']:,.0f} to {benefit['p95']:,.0f}" in text
    assert f"paid back in {years['p50']:.1f} years, from {years['p5']:.1f} to {years['p95']:.0f}" in text
    assert answer["missing"] == []
