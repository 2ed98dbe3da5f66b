"""`skidwright cleanup PORT --follow`: whose run it is, when there is a forecast, and bad archives."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from skidwright.cleanup.progress import Judged, judge, of_arrays
from skidwright.cli.cleanup_view import summary
from skidwright.link.session import Session
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import from_table

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from command_line import assert_one_line, run  # noqa: E402, F401
from test_command import TABLE, TOML  # noqa: E402

pytestmark = pytest.mark.slow


@pytest.fixture
def skid(tmp_path: Path) -> Iterator[VirtualSkid]:
    """A skid of two assets whose clean-up of asset 1 has begun; its time stands still."""
    table = {
        **TABLE,
        "settings": {**TABLE["settings"], "assets": [1, 2]},
        "asset": [*TABLE["asset"], {"number": 2, "name": "other"}],
        "contact": [],
    }
    with VirtualSkid(from_table(table), tmp_path / "skid", 4) as made:
        made.run_until(30)
        with made.contact() as port, Session.open(port) as session:
            session.hello()
            session.command("cleanup start 1")
        yield made


def test_whose_run_it_is_is_said_and_another_refused(run, skid: VirtualSkid, tmp_path: Path) -> None:  # noqa: F811
    skid.go_live()
    once = ("--follow", "--times", 1, "--archive", tmp_path / "archive")
    assert_one_line(run("cleanup", skid.port, "--asset", 2, *once), "is of asset 1", "--asset 1")
    for asset in ((), ("--asset", 1)):
        answer = run("cleanup", skid.port, *asset, *once)
        assert answer.status == 1 and "following the clean-up of asset 1" in answer.err
        assert "output on" in answer.out


def test_no_forecast_from_few_samples(run, skid: VirtualSkid, tmp_path: Path) -> None:  # noqa: F811
    (tmp_path / "skid.toml").write_text(TOML, "utf-8")
    skid.run_until(200)
    skid.go_live()
    follow = ("cleanup", skid.port, "--follow", "--times", 1, "--archive", tmp_path / "archive")
    answer = run(*follow, "--config", tmp_path / "skid.toml")
    assert 1 <= int(answer.out.split(" samples")[0].split()[-1]) < 6, answer
    assert "Proven clean in about" not in answer.out
    assert "fewer than 6 valid samples" in answer.out
    found = run(*follow, "--config", tmp_path / "skid.toml", "--json").json
    assert found["until_proven_s"] is None and found["running"]


@pytest.mark.parametrize(("n", "how", "told"), [(3, 0, False), (5, 0, False), (6, 0, True), (6, 1, False)])
def test_a_forecast_needs_six_samples_and_a_run_that_goes_on(n: int, how: int, told: bool) -> None:
    """All on target from the start: what is left are two samples more, once there are enough of them."""
    samples = of_arrays(60.0 * np.arange(1, n + 1), np.full((n, 3), 10.0), 20.0, np.ones(n))
    made: Any = SimpleNamespace(how=how, wanted=3, run_s=0)
    judged = Judged(made, samples, judge(samples, (16, 14, 11), None), 60.0)
    assert judged.progress.state == "on target"
    assert (judged.until_proven_s() is not None) == told
    assert ("Proven clean in about 2 min" in summary(judged)) == told


def test_no_forecast_once_it_is_over(run, skid: VirtualSkid, tmp_path: Path) -> None:  # noqa: F811
    (tmp_path / "skid.toml").write_text(TOML, "utf-8")
    skid.run_until(5300)
    common = ("--asset", 1, "--archive", tmp_path / "archive", "--config", tmp_path / "skid.toml")
    with skid.contact() as port, Session.open(port) as session:
        assert session.status()["cleanup"]["ended"] == 1
    skid.go_live()
    run("pull", skid.port, "--archive", tmp_path / "archive")
    found = run("cleanup", *common, "--json").json
    assert (found["how"], found["until_proven_s"]) == ("on target", None)
    assert "Proven clean in about" not in run("cleanup", *common).out


@pytest.mark.parametrize("wrong", ["archive", "config"])
def test_a_run_goes_on_without_an_archive(run, skid: VirtualSkid, tmp_path: Path, wrong: str) -> None:  # noqa: F811
    archive, toml = tmp_path / "archive", tmp_path / "skid.toml"
    toml.write_text(TOML, "utf-8")
    if wrong == "archive":
        archive.mkdir()
        (archive / "letters.txt").write_text("no archive", "utf-8")
    else:
        toml.write_text("[counter]\nsensing = 1\n", "utf-8")
    skid.run_until(200)
    skid.go_live()
    answer = run("cleanup", skid.port, "--follow", "--times", 2, "--every", 0.2, "--archive", archive,
                 "--config", toml)  # fmt: skip
    assert answer.status == 1
    assert "output on" in answer.out and "Proven" not in answer.out
    why = {"archive": "holds something else", "config": "sensing"}[wrong]
    assert "the board is watched on" in answer.err and why in answer.err
    assert answer.err.strip().splitlines()[-1].startswith("note: the archive could not be brought up to date")
