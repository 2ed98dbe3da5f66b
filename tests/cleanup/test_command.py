"""`skidwright cleanup`: a run on a virtual skid, its judgement from the archive, and the refusals."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from skidwright.cli.cleanup import when_cold
from skidwright.link.session import Session
from skidwright.sim.play import play
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import from_table

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from command_line import assert_one_line, run  # noqa: E402, F401

TABLE = {
    "title": "a small tank flushed",
    "duration": "1:30",
    "settings": {"assets": [1], "autostart": 0, "sample_volume_ul": 20000, "purge_volume_ul": 60000,
                 "settle_ms": 3000, "cleanup_output": 8, "cleanup_4um": 16, "cleanup_6um": 14,
                 "cleanup_14um": 11, "cleanup_water_cpct": 3500},
    "asset": [{"number": 1, "name": "unit", "tank_l": 60, "filter_l_min": 0, "particles_4um_per_ml": 5000,
               "water_percent": 55}],
    "cart": [{"asset": 1, "output": 8, "flow_l_min": 12, "filtration_ratio": [2.5, 10, 60, 200],
              "ingress_4um_per_ml_h": 500, "drying": 1800, "dries_to_percent": 12}],
    "contact": [{"at": 60, "commands": ["cleanup start 1"]}, {"at": "1:30"}],
}  # fmt: skip
TOML = "[counter]\nsensing_volume_ml = 2.5e-6\n"


@pytest.fixture(scope="module")
def archive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The log of a run that ended on target."""
    folder = tmp_path_factory.mktemp("cleanup")
    with VirtualSkid(from_table(TABLE), folder / "skid", 1) as skid:
        played = play(skid, folder / "archive")
    assert not played.refused
    return folder / "archive"


def test_the_last_run_is_judged(run, archive: Path, tmp_path: Path) -> None:  # noqa: F811
    picture = tmp_path / "run.png"
    (tmp_path / "skid.toml").write_text(TOML, "utf-8")
    common = ("cleanup", "--asset", 1, "--archive", archive, "--config", tmp_path / "skid.toml")
    answer = run(*common, "--tank", 60, "--flow", 12, "--json", "--picture", picture)
    assert answer.status == 0, answer
    found = answer.json
    assert (found["target"], found["water_limit_percent"], found["samples_in_a_row"]) == ("16/14/11", 35, 3)
    assert found["how"] == "on target" and found["state"] == "on target" and not found["running"]
    fine, _, _, water = found["quantities"]
    # what the scenario says: ratio 2.5, floor 500/h / (12/60 /60 * 0.6 per s), 12 % of saturation
    assert abs(fine["filtration_ratio"]["value"] / 2.5 - 1) < 0.05
    true_floor = 500 / 3600 / (12 / 60 / 60 * 0.6)
    assert abs(fine["floor"]["value"] - true_floor) < fine["floor"]["high"] - fine["floor"]["low"]
    assert abs(water["floor"]["value"] - 12) < 3
    assert picture.read_bytes().startswith(b"\x89PNG")
    text = run(*common, "--tank", 60, "--flow", 12).out
    assert "filtration ratio" in text and "The board has ended the run after" in text
    assert "particles come in a minute" in text


def test_the_report_tells_of_it(run, archive: Path, tmp_path: Path) -> None:  # noqa: F811
    run("report", "--archive", archive, "-o", tmp_path)
    page = next(tmp_path.glob("*.html")).read_text("utf-8")
    assert "clean-up begun" in page and "to 16/14/11" in page and "clean-up ended" in page


def test_where_water_is_judged_is_said() -> None:
    assert when_cold(5.0, None) == when_cold(5.0, 100.0) == []
    (line,) = when_cold(5.0, 35.0)
    assert "at the fluid's temperature" in line and "5 degC, the coldest it gets" in line
    (line,) = when_cold(None, 35.0)
    assert "no coldest temperature is known" in line


def test_start_follow_leave_and_stop(run, tmp_path: Path) -> None:  # noqa: F811
    config = tmp_path / "skid.toml"
    config.write_text(TOML, "utf-8")
    common = ("--asset", 1, "--archive", tmp_path / "archive", "--config", config)
    with VirtualSkid(from_table({**TABLE, "contact": []}), tmp_path / "skid", 2) as skid:
        skid.go_live()
        port = skid.port
        refused = run("cleanup", port, *common)
        assert_one_line(refused, "asset 1 has no target", "--target")
        assert_one_line(run("cleanup", port, *common, "--follow"), "no clean-up is running")
        assert_one_line(run("cleanup", port, *common, "--target", "16/14/11"), "--yes")
        assert_one_line(run("cleanup", port, *common, "--stop"), "no clean-up is running")
        assert_one_line(
            run("cleanup", port, "--asset", 7, *common[2:], "--target", "16/14/11", "--yes"),
            "the board samples 1",
        )
        assert_one_line(run("cleanup", port, *common, "--target", "16/14/11", "--yes", "--output", 1),
                        "opens the sampling valve")  # fmt: skip
        begun = run("cleanup", port, *common, "--target", "16/14/11", "--water", 35, "--yes", "--times", 2,
                    "--every", 0.2)  # fmt: skip
        assert begun.status == 1, begun
        assert "water is judged at the fluid's temperature" in begun.err
        assert "second pump" in begun.err and "licensed electrician" in begun.err
        assert "0 samples" in begun.out and "output on" in begun.out
        status = run("status", port)
        assert "clean-up" in status.out and "output on" in status.out
        again = run("cleanup", port, *common, "--target", "16/14/11", "--water", 35, "--yes")
        assert_one_line(again, "a clean-up is running already")
        assert run("cleanup", port, *common, "--follow", "--times", 1).status == 1
        assert run("cleanup", port, *common, "--stop").out == (
            "cleanup: run of asset 1 stopped, the output is off\n"
        )
        assert "stopped by command" in run("status", port).out


def test_a_forecast_while_it_runs(run, tmp_path: Path) -> None:  # noqa: F811
    (tmp_path / "skid.toml").write_text(TOML, "utf-8")
    with VirtualSkid(from_table({**TABLE, "contact": []}), tmp_path / "skid", 4) as skid:
        skid.run_until(30)
        with skid.contact() as port, Session.open(port) as session:
            session.hello()
            session.command("cleanup start 1")
        skid.run_until(1200)
        skid.go_live()
        shown = run("cleanup", skid.port, "--asset", 1, "--follow", "--times", 1, "--archive", tmp_path / "a",
                    "--config", tmp_path / "skid.toml", "--picture", tmp_path / "now.svg")  # fmt: skip
    assert shown.status == 1, shown
    assert "in a row on target, output on" in shown.out and "Proven clean in about" in shown.out
    # 60 L at 12 L/min and a ratio of 2.5: from 5000 to 640 in about 18 minutes, the water in about 19
    assert "running" in shown.out and (tmp_path / "now.svg").exists()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--asset", 1), "run `skidwright pull PORT` first"),
        ((), "--asset"),
        (("--asset", 0), "65535"),
        (("--asset", 1, "--target", "16/14"), "three scale numbers"),
        (("--asset", 1, "--target", "14/16/11"), "may not be above"),
        (("--asset", 1, "--target", "29/16/11"), "three scale numbers"),
        (("--asset", 1, "--water", 0), "100"),
        (("--asset", 1, "--samples", 0), "20"),
        (("--asset", 1, "--hours", 0), "336"),
        (("--asset", 1, "--tank", -1), "--tank"),
        (("--asset", 1, "--stop"), "needs a PORT"),
        (("--asset", 1, "--follow"), "needs a PORT"),
        (("no-port-here", "--asset", 1, "--stop"), "no-port-here"),
        (("--asset", 1, "--picture", "x.gif"), ".svg or .png"),
    ],
)
def test_refusals(run, tmp_path: Path, arguments: tuple[object, ...], words: str) -> None:  # noqa: F811
    (tmp_path / "archive").mkdir()
    (tmp_path / "archive" / "archive.json").write_text('{"format": 1}', "utf-8")
    assert_one_line(run("cleanup", *arguments, "--archive", tmp_path / "archive"), words)


def test_an_archive_without_a_run(run, tmp_path: Path) -> None:  # noqa: F811
    quiet = {**TABLE, "duration": "0:10", "settings": {**TABLE["settings"], "autostart": 1},
             "contact": [{"at": "0:10"}]}  # fmt: skip
    with VirtualSkid(from_table(quiet), tmp_path / "skid", 3) as skid:
        play(skid, tmp_path / "archive")
    answer = run("cleanup", "--asset", 1, "--archive", tmp_path / "archive")
    assert_one_line(answer, "no clean-up run of asset 1", "skidwright cleanup PORT")
