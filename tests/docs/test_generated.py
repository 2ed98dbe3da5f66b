"""The reference pages are what the code would write now, and nothing in the code goes undocumented."""

import re
from pathlib import Path

import pytest
from skidboard import faults, settings
from skidwright import generated_docs
from skidwright.checks import CATALOGUE
from skidwright.cli import app
from skidwright.meanings import faults as fault_table
from skidwright.meanings import settings as setting_meanings
from skidwright.meanings.interlocks import INTERLOCKS

ROOT = Path(__file__).resolve().parents[2]
DOCS = ROOT / "docs"


@pytest.mark.parametrize("name", sorted(generated_docs.PAGES))
def test_page_is_up_to_date(name: str) -> None:
    stale = (DOCS / name).read_text("utf-8") != generated_docs.PAGES[name]()
    assert not stale, f"docs/{name} is stale: run `make docs`"


def test_every_setting_has_a_meaning_and_none_is_extra() -> None:
    assert sorted(setting_meanings.MEANINGS) == sorted(
        [*settings.TABLE, settings.ASSETS, settings.METER_TABLE]
    )
    assert all(len(text) > 20 and text.endswith(".") for text in setting_meanings.MEANINGS.values())


def test_every_fault_has_meaning_cause_and_remedy() -> None:
    assert [fault.name for fault in fault_table.FAULTS] == list(faults.NAMES)
    for fault in fault_table.FAULTS:
        assert all(len(text) > 20 for text in (fault.meaning, fault.cause, fault.remedy)), fault.name
        assert fault.held <= fault.trips, fault.name


def test_reset_policy_follows_the_board() -> None:
    held = fault_table.by_name("stop input")
    alone = fault_table.by_name("no flow")
    told = fault_table.by_name("water loop")
    assert held and alone and told
    assert "operator" in held.reset and "clears itself" in alone.reset
    assert "tell PORT reset" in held.after_trip and "by itself" in alone.after_trip
    plain = fault_table.by_name("storage")
    assert plain and "sampling goes on" in plain.reset and told.interlock and not plain.interlock
    assert fault_table.by_name("no such fault") is None


def test_each_interlock_has_its_time_and_reset_policy_in_the_page() -> None:
    page = (DOCS / "faults.md").read_text("utf-8")
    for rule in INTERLOCKS:
        part = page.split(f"## {rule.name}\n")[1].split("\n## ")[0]
        assert "- Time to trip: " in part and "- Watched: " in part, rule.name
        assert ("by the operator" in part) == rule.held == (not re.search("clears itself", part)), rule.name


def test_settings_faults_checks_and_commands_are_in_their_pages() -> None:
    pages = {name: (DOCS / name).read_text("utf-8") for name in generated_docs.PAGES}
    assert [n for n in settings.TABLE if f"`{n}`" not in pages["settings.md"]] == []
    assert [n for n in faults.NAMES if f"## {n}\n" not in pages["faults.md"]] == []
    assert [check.id for check in CATALOGUE if check.id not in pages["checks.md"]] == []
    assert [n for n in app.COMMANDS if f"## skidwright {n}\n" not in pages["commands.md"]] == []


def documents() -> list[Path]:
    """All Markdown that users and contributors read."""
    return [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]


@pytest.mark.parametrize("path", documents(), ids=lambda path: path.name)
def test_links_lead_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", path.read_text("utf-8")):
        if "://" not in target:
            assert (path.parent / target).exists(), f"{path.name}: {target}"


@pytest.mark.parametrize("path", documents(), ids=lambda path: path.name)
def test_commands_and_settings_named_in_prose_exist(path: Path) -> None:
    text = path.read_text("utf-8")
    for command in re.findall(r"(?:`|^\s*|&& )skidwright ([a-z]+)", text, flags=re.M):
        assert command in app.COMMANDS, f"{path.name}: skidwright {command}"
    for option in re.findall(r"skidwright [a-z]+[^`\n]*? (--[a-z-]+)", text):
        assert option in (DOCS / "commands.md").read_text("utf-8"), f"{path.name}: {option}"


def test_files_named_in_the_developers_guide_exist() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    places = [ROOT / "firmware", ROOT / "firmware/skidboard", ROOT / "host", ROOT / "host/skidwright", ROOT]
    for name in re.findall(r"`([a-z_/]+\.(?:py|toml|md))`", text):
        assert any((place / name).exists() for place in places), name
