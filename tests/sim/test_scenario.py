"""Scenario files: what is right loads, what is wrong is refused in one line that names the key."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest
from skidwright.errors import ScenarioError
from skidwright.sim import scenario_docs, scenario_keys
from skidwright.sim.scenario import PACKAGED, from_table, load, seconds

DOCS = Path(__file__).resolve().parents[2] / "docs" / "scenarios.md"
ASSET = {"number": 1, "name": "press"}
GOOD = {"title": "t", "duration": "2:00", "asset": [ASSET]}


@pytest.mark.parametrize("path", sorted(PACKAGED.glob("*.toml")), ids=lambda p: p.stem)
def test_packaged_scenarios_load_and_say_that_they_are_invented(path: Path) -> None:
    assert "invented" in load(path).title
    assert load(path.stem) == load(path)


def test_every_packaged_scenario_is_named_in_the_docs() -> None:
    text = DOCS.read_text()
    for path in PACKAGED.glob("*.toml"):
        assert f"`{path.stem}`" in text


def test_docs_name_every_key() -> None:
    page = scenario_docs.scenarios_page()
    for cls in (getattr(scenario_keys, name) for name in dir(scenario_keys)):
        if dataclasses.is_dataclass(cls):
            for f in dataclasses.fields(cls):
                name = f.name.removesuffix("_s") if f.metadata.get("unit") == "time" else f.name
                assert f"`{name}`" in page
                assert f.metadata["meaning"]
    for kind in scenario_keys.FAULT_KINDS:
        assert f"`{kind}`" in page


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"titel": "x"}, "titel: no such key"),  # codespell:ignore
        ({"title": 5}, "title: text is needed"),
        ({"duration": "1:75"}, "duration: '1:75' is no time"),
        ({"duration": 0}, "duration: 0 is outside 1 to"),
        ({"asset": []}, "asset: 1 to 8 are needed"),
        ({"asset": [{"name": "x"}]}, "asset[1].number: is missing"),
        ({"asset": [ASSET, ASSET]}, "asset: a number stands twice"),
        ({"asset": [{**ASSET, "slope": 9}]}, "asset[1].slope: 9 is outside 1 to 6"),
        ({"asset": [{**ASSET, "slope": True}]}, "asset[1].slope: a number is needed"),
        ({"asset": [{**ASSET, "number": 1.5}]}, "asset[1].number: a whole number is needed"),
        ({"asset": [{**ASSET, "v100_mm2_s": 400}]}, "v40_mm2_s must be above v100_mm2_s"),
        ({"asset": [{**ASSET, "water_percent": [["1:00", 5], ["0:30", 6]]}]}, "times must rise"),
        ({"asset": [{**ASSET, "filtration_ratio": [2, 3]}]}, "a list of four numbers"),
        ({"line": {"volum_ml": 3}}, "line.volum_ml: no such key"),
        ({"line": 3}, "line: a table is needed"),
        ({"fault": {"kind": "air"}}, "fault: a list of tables is needed"),
        ({"fault": [{"kind": "rain", "start": 5}]}, "fault.kind: 'rain' is unknown"),
        ({"fault": [{"kind": "air", "start": 5, "end": 4}]}, "end must come after start"),
        ({"fault": [{"kind": "air", "start": 5, "asset": 9}]}, "fault.asset: 9 is no asset here"),
        ({"fault": [{"kind": "power_off", "start": 5}]}, "power_off: end is missing"),
        ({"fault": [{"kind": "air", "start": 5, "flash_operation": 2}]}, "belongs to power_cut only"),
        ({"top_up": [{"asset": 2, "at": 5, "adds_4um_per_ml": 1}]}, "top_up.asset: 2"),
        ({"contact": [{"at": "3:00"}]}, "within the duration"),
        ({"settings": {"rest": 5}}, "settings.rest: there is no such setting"),
        ({"settings": {"assets": [2]}}, "settings.assets: [2] must list the assets' numbers, [1]"),
        ({"start_utc": "today"}, "start_utc: a date and time is needed"),
    ],
)
def test_wrong_ones_are_refused_by_name(change: dict[str, Any], said: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        from_table({**GOOD, **change})
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)


def test_unreadable_files_are_refused(tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text("title = ")
    for path, said in (
        (bad, "not valid TOML"),
        (tmp_path / "none.toml", "No such file"),
        (Path("nine"), "no such scenario"),
    ):
        with pytest.raises(ScenarioError, match=said):
            load(path)


@pytest.mark.parametrize(("text", "value"), [("0:00", 0), ("26:30", 95400), ("1:02:03", 3723), (12.5, 12.5)])
def test_times(text: Any, value: float) -> None:
    assert seconds(text, "x") == value


def test_settings_take_the_assets_in_order() -> None:
    assets = [{"number": n, "name": "x"} for n in (7, 3)]
    assert from_table({**GOOD, "asset": assets}).settings["assets"] == [7, 3]
