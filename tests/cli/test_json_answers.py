"""Every --json answer has its format's name and version, and exactly the fields that docs/json.md tells of.

The fixture `run` holds every answer of the suite to its JSON Schema (draft 2020-12) with the library
jsonschema; here each command that needs no board is run once, and none is forgotten.
"""

import json
import re
from collections.abc import Iterator
from pathlib import Path

import click
import jsonschema
import pytest
from command_line import assert_described
from skidwright.cli import app, json_fields

TESTS = Path(__file__).resolve().parents[1]
ANSWERS = [
    ("check", "--all"),
    ("check",),
    ("assess",),
    ("report",),
    ("thresholds",),
    ("order",),
    ("receive", "--asset", 1, "--fluid", "drum", "--target", "20/18/15", "--dry-run"),
    ("certificate", "--asset", 1, "--by", "A. Moe"),
    ("export", "out.csv"),
    ("asset", "list"),
    ("asset", "add", 13),
    ("asset", "show", 1),
    ("asset", "edit", 1, "--volume-l", 20),
    ("asset", "event", 1, "filter"),
    ("asset", "suggest", 1),
    ("asset", "tags", "-o", "tags.svg"),
    ("payback", "--asset", 1, "--set", "running_per_year", 1, 2, 3),
    ("backup", "b.zip"),
    ("code", "--counts", 1600, 400, 13, "--volume-ml", 10, "--compare", 1900, 420, 25),
    ("code", "--per-ml", 1300, 640, 80, 9, "--standard", "as4059"),
    ("code", "--per-ml", 1300, 640, 80, 9, "--standard", "nas1638"),
    ("code", "--per-ml", 1800, 420, 38, "--target", "18/16/13", "--sensing-volume-ml", 0.00001),
    ("fluid", "--v40", 46, "--v100", 6.8, "--at", 20, "--viscosity", 400),
    ("water", "--rs", 40, "--temp", 60, "--to", 20),
]
# What comes before some of them; the second command's answer is looked at.
AFTER = [
    (("certificate", "--asset", 1, "--by", "A. Moe", "-o", "c.html"), ("verify", "c.html")),
    (("backup", "b.zip"), ("restore", "b.zip", "--verify")),
    (("asset", "export", "a.csv"), ("asset", "import", "a.csv")),
]
HARDWARE: list[tuple] = [
    ("bill",),
    ("wiring", "check"),
    ("wiring", "front-end"),
    ("wiring", "stop-chain"),
    ("size", "rig.toml"),
    ("calibrate", "counter", "--counts", "48211,17020,902,170", "--volume-ml", 30, "--reference-counts",
     "41000,14100,760,150", "--reference-volume-ml", 25, "--by", "A. Moe", "--reference", "R 1",
     "--due", "2027-05-31"),
]  # fmt: skip
# The others are run where there is a board, a clean-up or a step test anyway, and held to their schemas.
ELSEWHERE = {
    "skidwright status": "cli/test_live_board.py",
    "skidwright watch": "cli/test_live_board.py",
    "skidwright ports": "cli/test_live_board.py",
    "skidwright pull": "cli/test_live_board.py",
    "skidwright settings": "cli/test_calibrate.py",
    "skidwright calibrate flow": "cli/test_calibrate.py",
    "skidwright calibrate loop": "cli/test_calibrate.py",
    "skidwright demo": "cli/test_demo.py",
    "skidwright tune": "tuning/test_trace_and_command.py",
    "skidwright cleanup": "cleanup/test_command.py",
    "skidwright install": "protocol/test_install_key.py",
    "skidwright salvage": "fault/test_salvage.py",
}


def commands(group: click.Command = app.skidwright, path: str = "skidwright") -> Iterator[str]:
    """Paths of all commands that take --json."""
    if isinstance(group, click.Group):
        context = click.Context(group)
        for name in group.list_commands(context):
            found = group.get_command(context, name)
            assert found is not None
            yield from commands(found, f"{path} {name}")
    elif any("--json" in option.opts for option in group.params):
        yield path


def test_every_command_that_takes_json_is_described_and_no_other() -> None:
    assert sorted(json_fields.answers()) == sorted(commands())
    here = [words(given) for given in (*ANSWERS, *HARDWARE, *(second for _, second in AFTER))]
    run_here = {name for name in commands() if any(f"{said} ".startswith(f"{name} ") for said in here)}
    assert sorted(run_here | set(ELSEWHERE)) == sorted(commands()), "an answer that no test looks at"
    for name, file in ELSEWHERE.items():
        text = (TESTS / file).read_text("utf-8")
        assert all(f'"{word}"' in text for word in (*name.split()[1:], "--json")), f"{file} runs no {name}"


def words(given: tuple) -> str:
    """A command line as text."""
    return " ".join(map(str, ("skidwright", *given)))


@pytest.mark.parametrize("name", sorted(json_fields.answers()))
def test_every_schema_is_one(name: str) -> None:
    made = json_fields.schema(name)
    jsonschema.Draft202012Validator.check_schema(made)
    for ref in re.findall(r"#/\$defs/(\w+)", str(made)):
        assert ref in made["$defs"], f"{name}: no part {ref}"


@pytest.mark.parametrize("given", ANSWERS, ids=lambda given: "-".join(map(str, given))[:40])
def test_answer_is_as_described(run, archive: Path, given, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SKIDWRIGHT_ARCHIVE", str(archive))
    run("asset", "add", 1, "--component", "cylinder@210", "--target", "20/18/15", "--water-limit-percent", 90)
    answer = run(*given, "--json")
    assert answer.status in (0, 1), answer.err
    assert f"{words(given)} ".startswith(f"{answer.json['format']} ") and answer.json["version"] == 1


@pytest.mark.parametrize(("before", "given"), AFTER, ids=lambda given: given[0])
def test_answer_after_another(run, archive: Path, before, given, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SKIDWRIGHT_ARCHIVE", str(archive))
    run("asset", "add", 1, "--target", "20/18/15", "--water-limit-percent", 90)
    done = run(*before)
    assert done.status == 0, done
    answer = run(*given, "--json")
    assert answer.status in (0, 1), answer.err


@pytest.mark.parametrize("given", HARDWARE, ids=lambda given: "-".join(given[:2]))
def test_answer_about_hardware(run, given) -> None:
    Path("rig.toml").write_text(run("size", "--example").out)
    answer = run(*given, "--json")
    assert answer.status in (0, 1), answer.err


@pytest.mark.parametrize("change", [{"more": 1}, {"version": 2}, {"format": None}, {"notes": "one"}])
def test_what_is_not_described_is_seen(run, change: dict) -> None:
    answer = run("code", "--per-ml", 1300, 640, 80, "--json").json
    assert assert_described(json.dumps(answer)) == answer
    wrong = {name: value for name, value in (answer | change).items() if value is not None}
    with pytest.raises((AssertionError, KeyError)):
        assert_described(json.dumps(wrong))
