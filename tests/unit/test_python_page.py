"""docs/python.md: its examples run as they stand, on an archive with 40 invented samples."""

import doctest
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import skidwright
import synthetic_log as sl
from skidwright.archive.folder import Archive
from skidwright.sim import scenario
from skidwright.sim.runner import VirtualSkid

PAGE = Path(__file__).parents[2] / "docs" / "python.md"


@pytest.fixture
def archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Archive.create("archive")
    sl.write_long_log(tmp_path / "made.skidlog", 41)
    content = (tmp_path / "made.skidlog").read_bytes()
    target = Archive.open("archive").log_path(sl.DEVICE.hex(), f"{sl.LOG:08x}")
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(content)
    return tmp_path / "archive"


def test_the_examples_of_the_page(archive: Path) -> None:
    done = doctest.testfile(str(PAGE), module_relative=False)
    assert done.attempted >= 7 and not done.failed


def test_samples_agree_among_themselves(archive: Path) -> None:
    pulled = skidwright.open_archive(archive)
    samples = pulled.samples()
    assert list(pulled.frame().columns) == list(samples)
    assert len(samples["utc"]) == 40
    assert samples["counted_volume_ml"].dtype == np.float64
    # ISO 4406 by the definition: the code is that of the concentrations beside it.
    sizes = [samples[f"particles_from_{size}um_per_ml"] for size in (4, 6, 14)]
    for row, code in zip(zip(*sizes, strict=True), samples["iso4406_code"], strict=True):
        if not np.isnan(row).any() and "≥" not in code and ">" not in code:
            assert skidwright.format_code(skidwright.scale_numbers(row)) == code


def script(name: str, *words: str) -> str:
    command = [sys.executable, str(PAGE.parent / "examples" / name), *words]
    return subprocess.run(command, check=True, capture_output=True, text=True, timeout=60).stdout


def test_the_scripts_on_an_archive(archive: Path, tmp_path: Path) -> None:
    assert "asset 1: " in script("read_an_archive.py", str(archive))
    script("plot_a_trend.py", str(archive), "1", str(tmp_path / "trend.png"))
    assert (tmp_path / "trend.png").read_bytes().startswith(b"\x89PNG")


def test_the_script_that_watches_a_board(tmp_path: Path) -> None:
    with VirtualSkid(scenario.load("quick"), tmp_path) as skid:
        skid.run_until(60)
        skid.go_live()
        assert "mL/min, counts" in script("watch_a_bench_test.py", str(skid.port), "2")


def test_import_reads_no_numpy() -> None:
    code = "import skidwright, sys; assert 'numpy' not in sys.modules and 'click' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_every_name_is_there_and_no_other() -> None:
    assert all(getattr(skidwright, name) is not None for name in skidwright.__all__)
    with pytest.raises(AttributeError):
        skidwright.no_such_name  # noqa: B018
