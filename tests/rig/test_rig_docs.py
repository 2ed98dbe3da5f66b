"""The rig's pages: links and commands exist, figures are those computed, cautions stand where they must."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from skidwright.cli.app import COMMANDS
from skidwright.rig.front_end import parts, stop_chain

ROOT = Path(__file__).parents[2]
PAGES = ("safety", "build_guide", "wiring", "sampling_point", "commissioning", "sizing")


def text(page):
    return (ROOT / "docs" / f"{page}.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    links = re.findall(r"\]\(([^)#\s]+)", text(page))
    assert [x for x in links if not x.startswith("http") and not (ROOT / "docs" / x).exists()] == []


def test_files_that_answer_the_traps_exist():
    """Each row of the design page's table of traps points at code; what it points at is there."""
    rows = text("design").partition("| trap | answer | where |")[2].partition("## The log")[0]
    names = re.findall(r"`([a-z_/]+\.(?:py|toml))(?:: ([a-z_]+))?`", rows)
    assert len(names) > 25
    files = [p for top in ("firmware", "host", "hardware", "tests") for p in (ROOT / top).rglob("*.*")]
    for name, function in names:
        found = [p for p in files if p.as_posix().endswith("/" + name)]
        assert found, name
        assert not function or any(f"def {function}" in p.read_text(encoding="utf-8") for p in found), (
            function
        )


@pytest.mark.parametrize("page", PAGES)
def test_commands_exist(page):
    named = re.findall(r"(?:^|`)skidwright ([a-z]+)", text(page), re.MULTILINE)
    assert [name for name in named if name not in COMMANDS] == []


@pytest.mark.parametrize("page", [p for p in PAGES if p not in ("safety", "sizing")])
def test_cautions_stand_at_the_top_and_lead_to_the_long_version(page):
    assert re.search(r"^> [^#]*safety\.md", text(page)[:1500], re.MULTILINE)


@pytest.mark.parametrize(
    "words",
    [
        "surgical emergency",
        "Never search for a leak by hand",
        "relief valve",
        "Lock out",
        "Accumulators",
        "licensed",
        "Static",
        "Waste oil",
        "not a safety device",
        "come first",
        "Explosive atmospheres",
        "flash point",
    ],
)
def test_the_long_version_names_every_danger(words):
    assert words.lower() in text("safety").lower()


def test_figures_in_the_safety_page():
    """The motor's current after the stop chain opens; trapped oil: 1.4 GPa * 0.0007 / K = 9.8 bar / K."""
    made = parts.load(ROOT / "hardware" / "front_end.toml")
    assert stop_chain.motor_decay_ms(made.pump_driver, 0.01) < 7
    assert "7 ms" in text("safety").replace("\n", " ")
    assert pytest.approx(10, rel=0.05) == 1.4e9 * 0.0007 / 1e5
