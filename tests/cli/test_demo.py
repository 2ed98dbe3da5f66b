"""The demonstration on a short scenario: same seed, same bytes; and nobody's folder is emptied."""

import hashlib
from pathlib import Path

import pytest
from skidwright.sim.scenario import packaged

pytestmark = pytest.mark.slow


def digests(folder: Path) -> dict[str, str]:
    """SHA-256 of every file below a folder, by its place there."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and path.suffix != ".lock"
    }


def test_same_seed_same_archive_and_another_seed_another(run) -> None:
    first = run("demo", "--scenario", "quick", "--seed", 5, "-o", "a", "--json")
    assert first.status == 0, first
    run("demo", "--scenario", "quick", "--seed", 5, "-o", "b", "--json")
    run("demo", "--scenario", "quick", "--seed", 6, "-o", "c", "--json")
    assert digests(Path("a/archive")) == digests(Path("b/archive"))
    assert digests(Path("a/archive")) != digests(Path("c/archive"))
    (asset,) = first.json["assets"]
    assert asset["samples"] == asset["valid_counts"] >= 3
    assert "Invented data" in Path(asset["report"]).read_text("utf-8")
    # what it wrote can be worked on with the other commands
    checked = run("check", "--archive", "a/archive", "--config", "a/skid.toml", "--json")
    assert checked.json["totals"]["counts"]["valid"] == asset["valid_counts"]
    assert run("report", "--archive", "a/archive", "--config", "a/skid.toml", "-o", "again").status in (0, 1)
    assert "Invented data" in next(Path("again").iterdir()).read_text("utf-8")


def test_it_ends_with_what_it_found_and_where(run) -> None:
    for _ in range(2):  # a folder that an earlier demo made is emptied and used again
        answer = run("demo", "--scenario", "quick", "-o", "out")
        assert answer.status == 0, answer
        (report,) = Path("out/reports").glob("*.html")
        assert str(report.resolve()) in answer.out
        assert "test bench" in answer.out


def test_a_turn_given_up_is_explained(run, tmp_path: Path) -> None:
    """Gear oil of 2 degC is too thick for the pump: the firmware gives turns up, and the demo says why."""
    given = packaged("quick").read_text("utf-8")
    thick = 'name = "test bench"\nv40_mm2_s = 220\nv100_mm2_s = 19\n'
    thick += 'fluid_c = [["0:00", 2], ["0:05", 2], ["0:07", 44]]'
    cold = given.replace('name = "test bench"', thick).replace(
        "[[asset]]", "[line]\nresistance = 0.002\n\n[[asset]]"
    )
    assert cold != given
    (tmp_path / "cold.toml").write_text(cold, "utf-8")
    answer = run("demo", "--scenario", tmp_path / "cold.toml", "-o", "out")
    assert answer.status == 0, answer
    said = " ".join(answer.out.split())
    assert "duty at limit: The pump runs at its highest duty" in said and "Let the fluid warm up" in said


def test_a_folder_of_something_else_is_left_alone(run, one_line) -> None:
    Path("mine").mkdir()
    Path("mine/letter.txt").write_text("dear")
    one_line(run("demo", "--scenario", "quick", "-o", "mine"), "something else", "empty")
    assert Path("mine/letter.txt").read_text() == "dear"


def test_scenarios_that_cannot_be_used(run, one_line, tmp_path: Path) -> None:
    one_line(run("demo", "--scenario", "fery"), "fery", "ferry")
    (tmp_path / "bad.toml").write_text('title = "x"\nduration = "1:00"\nsead = 3\n')
    one_line(run("demo", "--scenario", tmp_path / "bad.toml"), "bad.toml", "sead")


def test_sim_lists_what_comes_along(run) -> None:
    lines = run("sim", "--list").out.splitlines()
    assert {line.split()[0] for line in lines} >= {"ferry", "quick"}
    assert all("invented" in line for line in lines)
