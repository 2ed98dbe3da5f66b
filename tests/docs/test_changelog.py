"""A release gathers the fragments of newsfragments/ into CHANGELOG.md: none lost, links lead on."""

import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import skidboard
import skidwright

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of what towncrier reads, with one fragment more: after a release there may be none."""
    for name in ("pyproject.toml", "CHANGELOG.md"):
        shutil.copy(ROOT / name, tmp_path)
    shutil.copytree(ROOT / "newsfragments", tmp_path / "newsfragments")
    (tmp_path / "newsfragments" / "example.feature.md").write_text(
        "An example,\nin [two](../docs/README.md) lines.\n"
    )
    return tmp_path


def towncrier_build(folder: Path, *options: str) -> str:
    """What `towncrier build` prints for a version that does not exist, on a day of our choosing."""
    command = [
        sys.executable,
        "-m",
        "towncrier",
        "build",
        "--version",
        "98.7",
        "--date",
        "2026-01-02",
        *options,
    ]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    return done.stdout


def words(text: str) -> str:
    """The text with its lines joined and links as they stand in CHANGELOG.md."""
    return " ".join(text.replace("](../", "](").split())


def fragments(folder: Path) -> list[str]:
    """The words of each fragment."""
    paths = sorted((folder / "newsfragments").glob("*.md"))
    return [words(path.read_text("utf-8")) for path in paths if path.name != "README.md"]


def test_the_version_is_the_same_everywhere() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    assert project["version"] == skidwright.__version__ == skidboard.VERSION


def test_the_draft_holds_every_fragment_once(copy: Path) -> None:
    draft = towncrier_build(copy, "--draft")
    points = [words(point) for point in re.split(r"^- |^#+ .*$", draft, flags=re.MULTILINE)]
    assert "An example, in [two](docs/README.md) lines." in points
    assert sorted(filter(None, points)) == sorted(fragments(copy))
    for link in re.findall(r"\]\(([^)#\s]+)", draft):
        assert link.startswith("http") or (ROOT / link).exists(), link


def test_a_release_writes_them_below_the_head_and_takes_them_away(copy: Path) -> None:
    gathered = len(fragments(copy))
    before = (copy / "CHANGELOG.md").read_text("utf-8")
    towncrier_build(copy, "--yes")
    head, mark, versions = (copy / "CHANGELOG.md").read_text("utf-8").partition("<!-- versions -->")
    assert before.startswith(head + mark)
    assert versions.lstrip().startswith("## 98.7 (2026-01-02)\n\n### New\n")
    assert versions.count("\n- ") - before.count("\n- ") == gathered
    assert sorted(path.name for path in (copy / "newsfragments").iterdir()) == [
        "README.md",
        "changelog.md.jinja",
    ]
