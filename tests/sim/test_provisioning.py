"""A flash image that cannot be made ends in one line that says why; MicroPython says numbers only."""

import sys

import pytest
from skidwright.errors import SimError
from skidwright.sim.board_process import MicroPythonBoard

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="the board under MicroPython is for Linux")


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("OSError: 28", "no space left on device); make room there"),
        ("OSError: [Errno 28] ENOSPC", "no space left on device); make room there"),
        ("OSError: [Errno 13] EACCES", "permission denied); look at that folder"),
        ("", "ended without a word"),
    ],
)
def test_why_in_one_line(tmp_path, said, expected):
    script = tmp_path / "micropython"
    trace = f"echo 'Traceback (most recent call last):' >&2\necho '{said}' >&2\n" if said else ""
    script.write_text(f"#!/bin/sh\n{trace}exit 1\n")
    script.chmod(0o755)
    (tmp_path / "skid").mkdir()
    board = MicroPythonBoard(tmp_path / "skid", executable=str(script))
    try:
        with pytest.raises(SimError) as error:
            board.provision(False, {})
    finally:
        board.close()
    text = str(error.value)
    assert expected in text and "\n" not in text and str(tmp_path / "skid") in text
