"""An archive with a clean and a dirty asset, and a skid.toml that knows them (all of it invented)."""

from pathlib import Path

import pytest
import synthetic_log as sl
from command_line import one_line, run  # noqa: F401  (fixtures)
from skidboard import records

SKID_TOML = """
[[asset]]
number = 1
name = "Ramp <hydraulic> & unit"
machine = "bow ramp"
fluid = "ISO VG 46 mineral oil"
target = "18/16/13"
water_limit_percent = 50

[[asset]]
number = 2
name = "Thruster gearbox"
target = "16/14/11"

[counter]
name = "counter 1"
calibration = "ISO 11171"
"""


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """The archive; skid.toml stands in the folder in which commands run."""
    body = sl.samples(60, first_seq=2, assets=(1, 2))
    body["flow_min_ul_s"][[10, 58]] = 300  # out of the band: counts are rejected
    body["out_of_band_ms"][[10, 58]] = 2000
    rows = sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        body,
    )
    folder = tmp_path / "archive"
    path = folder / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    (folder / "archive.json").write_text('{"format": 1}\n')
    path.write_bytes(sl.log_bytes(rows))
    return folder


@pytest.fixture
def shop(run, archive, tmp_path):  # noqa: F811
    """`shop("slip", ...)`: a command on that archive, in a folder with that skid.toml."""
    (tmp_path / "here" / "skid.toml").write_text(SKID_TOML)

    def go(*arguments):
        return run(*arguments, "--archive", archive)

    return go


@pytest.fixture
def log_path(archive: Path) -> Path:
    """The one log of the archive."""
    (path,) = archive.glob("*/*.skidlog")
    return path
