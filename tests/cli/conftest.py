"""One command line run in this process, and a small archive to run it on."""

import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest
import synthetic_log as sl
from skidboard import records
from skidwright.cli import app


class Answer(NamedTuple):
    """What a command line gave: exit status, standard output, standard error."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Standard output as JSON."""
        return json.loads(self.out)


Run = Callable[..., Answer]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Run:
    """Run `skidwright ARGUMENTS` in an empty folder, without the settings of whoever runs the tests."""
    for name in [name for name in os.environ if name.startswith("SKIDWRIGHT")]:
        monkeypatch.delenv(name)
    monkeypatch.setenv("NO_COLOR", "1")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)

    def go(*arguments: Any) -> Answer:
        capsys.readouterr()
        status = app.run([str(argument) for argument in arguments])
        out, err = capsys.readouterr()
        return Answer(status, out, err)

    return go


def assert_one_line(answer: Answer, *words: str) -> None:
    """Exit status 2 and one line on standard error that holds all `words`; nothing of Python's in it."""
    assert answer.status == 2, answer
    lines = answer.err.strip().splitlines()
    assert len(lines) == 1, answer.err
    assert lines[0].startswith("skidwright: ")
    assert "Traceback" not in answer.err and "unexpected" not in answer.err, answer.err
    for word in words:
        assert word in lines[0], lines[0]


@pytest.fixture
def one_line() -> Callable[..., None]:
    """`assert_one_line`, see there."""
    return assert_one_line


def write_archive(folder: Path, rows: np.ndarray, log: int = sl.LOG) -> Path:
    """An archive of one log that holds `rows`; the path of the log."""
    path = folder / sl.DEVICE.hex() / f"{log:08x}.skidlog"
    path.parent.mkdir(parents=True, exist_ok=True)
    (folder / "archive.json").write_text('{"format": 1}\n')
    path.write_bytes(sl.log_bytes(rows, log=log))
    return path


def rows_with_faults() -> np.ndarray:
    """60 samples of assets 1 and 2, of which three have flow out of band and two a broken water loop."""
    body = sl.samples(60, first_seq=2, assets=(1, 2))
    body["flow_min_ul_s"][[10, 12, 14]] = 300
    body["out_of_band_ms"][[10, 12, 14]] = 2000
    body["water_min_ua"][[21, 23]] = 0
    body["water_mean_ua"][[21, 23]] = 0
    body["water_state"][[21, 23]] = 2
    return sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        body,
    )


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """An archive with the log of `rows_with_faults`."""
    write_archive(tmp_path / "archive", rows_with_faults())
    return tmp_path / "archive"


@pytest.fixture
def good_archive(tmp_path: Path) -> Path:
    """An archive in which nothing is wrong."""
    folder = tmp_path / "good"
    path = folder / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    (folder / "archive.json").write_text('{"format": 1}\n')
    path.write_bytes(sl.good_log(40))
    return folder


@pytest.fixture(scope="module")
def live_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The port of a virtual skid that follows the clock on the wall, a few samples in its log."""
    from skidwright.sim import scenario
    from skidwright.sim.runner import VirtualSkid

    with VirtualSkid(scenario.load("quick"), tmp_path_factory.mktemp("skid")) as skid:
        skid.run_until(400)
        skid.go_live()
        yield skid.port
