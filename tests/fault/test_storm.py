"""Pulls over a cable that does everything wrong: a short run of `storm.py`, and proof that it sees a fault.

`make storm TRIALS=2000` is the long run.
"""

import os
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.link.session import Session
from storm import run

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "protocol"))
from board_at_pty import BoardAtPty  # noqa: E402

DEVICE, LOG = "1032547698badcfe", "5eed0001"


def test_a_hundred_storms(capsys):
    with capsys.disabled():
        print()
        storm = run(100, 0)
    assert sum(storm.outcomes.values()) == 100 and storm.outcomes["identical"] > 0


def test_a_storm_of_nothing_is_no_storm():
    with pytest.raises(AssertionError, match="nothing was tried"):
        run(0, 0, say=lambda _: None)


@pytest.mark.parametrize(
    ("where", "said"),
    [
        # A host that looks neither at the CRC of a frame nor at those of records; either would catch it.
        ("skidwright.link.framing._unframe", "seed"),
        # A host that tells the board more than it has.
        ("skidwright.archive.pull._Pull.held_seq", "more is safe"),
    ],
)
def test_the_storm_sees_a_host_that_cheats(monkeypatch, where, said):
    from cobs import cobs
    from skidwright.archive.pull import _Pull

    if where.endswith("_unframe"):

        def believing(raw):
            try:
                return cobs.decode(raw)[:-4]
            except cobs.DecodeError:
                return None

        monkeypatch.setattr(where, believing)
        monkeypatch.setattr("skidwright.archive.pull.problems", lambda *_: [])
    else:
        true = _Pull.held_seq
        monkeypatch.setattr(where, lambda self: true(self) + 5)
    with pytest.raises(AssertionError, match=said):
        run(150, 0, say=lambda _: None)


TWICE = """
import sys
from skidwright.archive.folder import Archive
from skidwright.errors import ArchiveBusy, PortBusy
from skidwright.archive.pull import pull
from skidwright.link.session import Session
try:
    with Session.open(sys.argv[1], timeout_s=5) as session:
        pull(session, Archive.create(sys.argv[2]), contact=False)
    print("whole")
except (ArchiveBusy, PortBusy) as error:
    print(type(error).__name__, error)
"""


@pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
def test_two_pulls_at_once_from_one_board(tmp_path):
    (tmp_path / "board").mkdir()
    with BoardAtPty(tmp_path / "board", 300, python="cpython") as board:
        ended = []
        for round_ in range(4):
            shutil.rmtree(tmp_path / "a", ignore_errors=True)
            Archive.create(tmp_path / "a")
            command = [sys.executable, "-c", TWICE, board.port, str(tmp_path / "a")]
            first = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            time.sleep(0.02 * round_)
            second = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            said = [process.communicate(timeout=60)[0].strip() for process in (first, second)]
            assert [process.returncode for process in (first, second)] == [0, 0]
            # One of them is turned away in one line, or they came after one another.
            assert "whole" in said, said
            ended += said
            with Session.open(board.port, timeout_s=5) as session:
                pull(session, Archive.create(tmp_path / "a"), contact=False)
            files = sorted((tmp_path / "board" / "log").glob("*/*.seg"))
            held = (tmp_path / "a" / DEVICE / f"{LOG}.skidlog").read_bytes()
            assert held == b"".join(f.read_bytes() for f in files)
        assert len(ended) == 8
