"""README, DEVELOPERS and docs/: links lead on, files exist, commands are as the tool has them."""

import re
import shlex
from pathlib import Path

import click
import pytest
from skidwright.checks.in_force import EARLIER
from skidwright.cli.app import skidwright as cli

HERE = Path(__file__).parents[2]
PAGES = [*sorted(HERE.glob("*.md")), *sorted((HERE / "docs").glob("*.md")), HERE / "hardware" / "README.md"]
FILES = {
    path.relative_to(HERE).as_posix()
    for folder in ("firmware", "host", "tests", "hardware", "docs")
    for path in (HERE / folder).rglob("*")
}


def anchors(page: Path) -> set[str]:
    """The anchors of a page's headings, as GitHub makes them."""
    heads = re.findall(r"^#+ (.*)$", page.read_text("utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"```.*?```", "", page.read_text("utf-8"), flags=re.DOTALL)
    for link in re.findall(r"(?:\]\(|src=')([^)'\s]+)", text):
        if link.startswith("http"):
            continue
        name, _, anchor = link.partition("#")
        target = (page.parent / name).resolve() if name else page
        assert target.exists(), link
        if anchor:
            assert anchor in anchors(target), link


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_files_that_are_named_exist(page: Path) -> None:
    """`log/timeline.py` is the end of the path of some file; a folder's file may be said without it."""
    for name in re.findall(r"(?<![\w/*<-])((?:[\w.-]+/)*\w+\.(?:py|j2))\b", page.read_text("utf-8")):
        assert any(f"/{path}".endswith(f"/{name}") for path in FILES), name


def test_the_index_leads_to_every_page() -> None:
    index = HERE / "docs" / "README.md"
    linked = set(re.findall(r"\]\(([\w./]+)", index.read_text("utf-8")))
    assert {page.name for page in PAGES if page.parent == index.parent and page != index} - linked == set()


def test_the_page_of_changed_settings_names_what_there_is_and_all_that_came_new() -> None:
    text = (HERE / "docs" / "settings_changes.md").read_text("utf-8")
    tables = "".join((HERE / "docs" / name).read_text("utf-8") for name in ("settings.md", "checks.md"))
    named = re.findall(
        r"`([a-z0-9_]+)`", "".join(row.split("|")[2] for row in text.splitlines() if "| `" in row)
    )
    assert len(named) > 30
    assert [name for name in named if f"| `{name}` |" not in tables] == []
    assert {name for change in EARLIER for name in change} - set(named) == set()


def commands_of(page: Path) -> list[str]:
    """Whole command lines of a page: of its blocks, with lines that go on, and between backticks."""
    text = re.sub(r"\\\n\s*", " ", page.read_text("utf-8"))
    blocks = re.findall(r"```(?:console|powershell|sh)?\n(.*?)```", text, re.DOTALL)
    lines = re.findall(r"^\s*(skidwright .*)$", "\n".join(blocks), re.MULTILINE)
    lines += re.findall(r"^    (skidwright .*)$", text, re.MULTILINE)
    outside = re.sub(r"```.*?```", "", text, flags=re.DOTALL)
    return lines + [" ".join(found.split()) for found in re.findall(r"`(skidwright [^`]+)`", outside)]


def unknown(line: str) -> str:
    """The first word of a command line that the tool does not know, "" when it knows all."""
    words = shlex.split(line, comments=True)[1:]
    where: click.Command = cli
    for word in words:
        if word in ("&&", "|", ">", ";"):
            break
        if isinstance(where, click.Group) and not word.startswith("-"):
            found = where.get_command(click.Context(where), word)
            if found is None:
                return word
            where = found
        elif word.startswith("--"):
            known = {name for one in where.params for name in (*one.opts, *one.secondary_opts)}
            if word.split("=")[0] not in known | {"--help", "--version"}:
                return word
    return ""


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_are_as_the_tool_has_them(page: Path) -> None:
    wrong = {line: word for line in commands_of(page) if (word := unknown(line))}
    assert wrong == {}


def test_an_unknown_command_or_option_is_seen() -> None:
    assert unknown("skidwright report --asset 2 --pdf") == ""
    assert unknown("skidwright reprot --asset 2") == "reprot"  # codespell:ignore
    assert unknown("skidwright calibrate flow PORT --dencity 0.861") == "--dencity"
