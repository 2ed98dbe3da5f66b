"""A small archive, and a live port, to run commands on."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from command_line import one_line, run  # noqa: F401  (fixtures)
from skidboard import records


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
