"""Pull from the firmware's own journal and link behind a pseudo-terminal into an archive."""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from board_at_pty import BoardAtPty, micropython
from scripted_port import ScriptedPort, SpoilingPort
from skidboard import records
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.errors import ArchiveBusy, ArchiveConflict, DiskFull, NotASkid, PortGone, SkidwrightError
from skidwright.link.port import open_port
from skidwright.link.session import Session
from skidwright.log.segment_check import parse_header, problems

pytestmark = pytest.mark.skipif(os.name != "posix", reason="needs pseudo-terminals")
PYTHONS = ["cpython", *(["micropython"] if micropython() else [])]
DEVICE, LOG = "1032547698badcfe", "5eed0001"


@pytest.fixture(params=PYTHONS)
def board(request, tmp_path):
    folder = tmp_path / "board"
    folder.mkdir()
    with BoardAtPty(folder, 300, python=request.param) as made:
        yield made
        made.stop()
        assert made.said == ""


@pytest.fixture
def stored_board(tmp_path):
    """A board whose log lies in a folder that the test can read and spoil."""
    folder = tmp_path / "board"
    folder.mkdir()
    with BoardAtPty(folder, 300, python="cpython") as made:
        yield made


def pull_from(board, path, **kwargs):
    with Session.open(board.port, timeout_s=5) as session:
        return pull(session, Archive.create(path), **kwargs)


def bytes_in(path: Path) -> bytes:
    return (path / DEVICE / f"{LOG}.skidlog").read_bytes()


def check_whole(raw: bytes) -> int:
    """Assert that every segment is in order and chained to the one before; the number of records."""
    before, count = b"", 0
    for at in range(0, len(raw), 4096):
        block = raw[at : at + 4096]
        header = parse_header(block)
        used = block.rstrip(b"\xff") if len(block) == 4096 else block
        used += b"\xff" * (-(len(used) - 64) % 144)
        assert problems(used, DEVICE, LOG, header.segment, before) == []
        assert header.segment == 1 + at // 4096
        before, count = block, count + (len(used) - 64) // 144
    return count


def test_pulls_everything_and_twice_only_what_is_new(board, tmp_path):
    seen = []
    first = pull_from(board, tmp_path / "a", progress=seen.append)
    # A boot, 300 records and this contact.
    assert first.records == check_whole(bytes_in(tmp_path / "a")) == 302
    assert (first.segments, first.segments_missing, first.warnings) == (11, 0, [])
    assert first.bytes_moved == 11 * 64 + 302 * 144 == len(bytes_in(tmp_path / "a"))
    assert first.bytes_on_wire < 1.02 * first.bytes_moved + 3000
    assert [p.segments for p in seen] == list(range(1, 12)) and seen[-1].bytes_moved == first.bytes_moved
    again = pull_from(board, tmp_path / "a")
    # The contact of the first pull went over with it; only the new one is new.
    assert (again.records, again.bytes_moved) == (1, 144)
    # Besides the talk what is held of the open segment, read again: is it the same log still?
    assert again.bytes_on_wire < 3000 + 64 + 22 * 144
    assert check_whole(bytes_in(tmp_path / "a")) == 303


def test_board_is_told_what_is_safe(board, tmp_path):
    summary = pull_from(board, tmp_path / "a")
    with Session.open(board.port) as session:
        hello = session.hello()
    assert hello.stored_seq == hello.next_seq == summary.next_seq == 302


def test_grows_over_many_pulls_and_boots_as_in_one(board, tmp_path):
    for n in (1, 27, 28, 29, 56, 3):
        board.restart(n)
        pull_from(board, tmp_path / "a", contact=False)
    pull_from(board, tmp_path / "b", contact=False)
    assert bytes_in(tmp_path / "a") == bytes_in(tmp_path / "b")
    assert check_whole(bytes_in(tmp_path / "a")) == 301 + 6 + 1 + 27 + 28 + 29 + 56 + 3


def test_archive_is_the_board_s_own_bytes(stored_board, tmp_path):
    pull_from(stored_board, tmp_path / "a", contact=False)
    stored_board.stop()
    files = sorted((tmp_path / "board" / "log").glob("*/*.seg"))
    assert b"".join(f.read_bytes() for f in files) == bytes_in(tmp_path / "a")


def test_broken_off_anywhere_and_repeated_ends_identical(board, tmp_path):
    pull_from(board, tmp_path / "whole", contact=False)
    whole = bytes_in(tmp_path / "whole")
    for cut_after in list(range(0, len(whole) + 2000, 4700)) + [600, 4800, len(whole)]:
        path = tmp_path / f"cut{cut_after}"
        for _ in range(2):
            port = SpoilingPort(open_port(board.port), 0, 0.0, cut_after)
            with Session(port, timeout_s=5) as session:
                try:
                    pull(session, Archive.create(path), contact=False)
                except PortGone:
                    continue
        if (path / DEVICE).exists():
            assert whole.startswith(bytes_in(path))
        pull_from(board, path, contact=False)
        assert bytes_in(path) == whole


KILLED = """
import sys
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.link.session import Session
archive = Archive.create(sys.argv[2])
with Session.open(sys.argv[1], timeout_s=5) as session:
    print("go", flush=True)
    pull(session, archive, contact=False)
print("done", flush=True)
"""


def test_killed_at_any_moment_and_repeated_ends_identical(board, tmp_path):
    pull_from(board, tmp_path / "whole", contact=False)
    whole = bytes_in(tmp_path / "whole")
    path = tmp_path / "killed"
    killed = 0
    for delay_ms in (0, 1, 2, 4, 7, 10, 15, 22, 30):
        shutil.rmtree(path / DEVICE, ignore_errors=True)
        command = [sys.executable, "-c", KILLED, board.port, str(path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE) as process:
            process.stdout.readline()
            time.sleep(delay_ms / 1000)
            process.send_signal(signal.SIGKILL)
            killed += b"done" not in process.stdout.read()
        file = path / DEVICE / f"{LOG}.skidlog"
        assert not file.exists() or whole.startswith(file.read_bytes().rstrip(b"\xff"))
        pull_from(board, path, contact=False)
        assert bytes_in(path) == whole
    assert killed > 0


@pytest.mark.parametrize("rate", [0.02, 0.2])
def test_a_bad_cable_costs_time_and_nothing_else(board, tmp_path, rate):
    pull_from(board, tmp_path / "whole", contact=False)
    whole = bytes_in(tmp_path / "whole")
    faults = finished = 0
    for seed in range(12):
        path = tmp_path / f"bad{seed}"
        port = SpoilingPort(open_port(board.port), seed, rate)
        with Session(port, timeout_s=0.1, tries=20) as session:
            try:
                pull(session, Archive.create(path), contact=False)
                finished += 1
                assert bytes_in(path) == whole
            except SkidwrightError:
                if (path / DEVICE).exists():
                    assert whole.startswith(bytes_in(path))
        faults += port.faults
    assert faults >= 5 and finished > 0
    assert pull_from(board, tmp_path / "bad0", contact=False).warnings == []
    assert bytes_in(tmp_path / "bad0") == whole


def test_unplugged_in_mid_pull(stored_board, tmp_path):
    archive = Archive.create(tmp_path / "a")

    def unplug(progress):
        if progress.segments == 3:
            stored_board.unplug()

    with (
        Session.open(stored_board.port) as session,
        pytest.raises(PortGone, match="broke off.*check the cable"),
    ):
        pull(session, archive, progress=unplug, window=2)
    raw = bytes_in(tmp_path / "a")
    assert len(raw) >= 3 * 4096 and len(raw) % 4096 == 0
    check_whole(raw)


def test_a_port_with_nothing_behind_it(tmp_path):
    session = Session(ScriptedPort(lambda message: None), timeout_s=0.01)
    with pytest.raises(NotASkid):
        pull(session, Archive.create(tmp_path / "a"))
    assert Archive.open(tmp_path / "a").devices() == []


@pytest.mark.skipif(not micropython(), reason="no MicroPython for this platform")
def test_a_board_without_the_firmware_answers_as_what_it_is():
    master, slave = os.openpty()
    import tty

    tty.setraw(slave)
    tty.setraw(master)
    with subprocess.Popen([micropython(), "-i"], stdin=master, stdout=master, stderr=master) as process:
        expected = pytest.raises(NotASkid, match="MicroPython prompt.*skidwright install")
        with Session.open(os.ttyname(slave), timeout_s=0.5) as session, expected:
            session.hello()
        process.kill()
    os.close(master)
    os.close(slave)


def test_reclaimed_before_it_was_pulled(stored_board, tmp_path):
    pull_from(stored_board, tmp_path / "a", contact=False)
    stored_board.config["segments_max"] = 4
    stored_board.restart(28 * 20)
    summary = pull_from(stored_board, tmp_path / "a", contact=False)
    assert summary.segments_missing > 0 and "reclaimed before they were pulled" in summary.warnings[0]
    raw = bytes_in(tmp_path / "a")
    numbers = [parse_header(raw[at : at + 64]).segment for at in range(0, len(raw), 4096)]
    assert numbers[:11] == list(range(1, 12)) and numbers[11] == 11 + summary.segments_missing
    assert numbers[11:] == list(range(numbers[11], numbers[11] + len(numbers) - 11))
    assert pull_from(stored_board, tmp_path / "a", contact=False).bytes_moved == 0


def spoil_file(board, number, change):
    board.stop()
    path = board.folder / "log" / f"{number >> 4:07x}" / f"{number:08x}.seg"
    raw = bytearray(path.read_bytes())
    path.write_bytes(change(raw) or raw)
    board.config["records"] = 5
    board.start()


def flip(at):
    def change(raw):
        raw[at] ^= 4

    return change


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (flip(64 + 3 * 144 + 50), "1 of its records damaged, the first in slot 3"),
        (flip(40), "header is damaged"),
        (lambda raw: raw[:2000], "records damaged"),
        (lambda raw: raw[: 64 + 144 * 5], "not the one it was chained to"),
    ],
)
def test_damage_on_the_board_is_kept_and_said(stored_board, tmp_path, change, said):
    spoil_file(stored_board, 4, change)
    summary = pull_from(stored_board, tmp_path / "a", contact=False)
    assert any(said in warning for warning in summary.warnings), summary.warnings
    raw = bytes_in(tmp_path / "a")
    file = (stored_board.folder / "log" / "0000000" / "00000004.seg").read_bytes()
    assert raw[3 * 4096 : 4 * 4096] == file + b"\xff" * (4096 - len(file))
    assert parse_header(raw[4 * 4096 :]).segment == 5
    assert pull_from(stored_board, tmp_path / "a", contact=False).bytes_moved == 0


def test_damaged_end_of_the_log(stored_board, tmp_path):
    pull_from(stored_board, tmp_path / "a", contact=False)
    spoil_file(stored_board, 11, flip(64 + 9 * 144))
    summary = pull_from(stored_board, tmp_path / "a", contact=False)
    raw = bytes_in(tmp_path / "a")
    last = raw[11 * 4096 :]
    assert parse_header(last).segment == 12 and last[64] == records.RECOVERED
    # The archive has the record from before it was damaged, and the chain says that the board's differs.
    assert any("chained" in warning for warning in summary.warnings)


def test_missing_and_unborn_segments(stored_board, tmp_path):
    stored_board.stop()
    (stored_board.folder / "log" / "0000000" / "00000005.seg").unlink()
    stored_board.start()
    summary = pull_from(stored_board, tmp_path / "a", contact=False)
    assert summary.segments_missing == 1 and "segment 5 is missing" in summary.warnings[0]
    assert pull_from(stored_board, tmp_path / "a", contact=False).bytes_moved == 0


def test_flash_set_back_to_an_earlier_state(stored_board, tmp_path):
    stored_board.stop()
    for name in ("log", "log.end"):
        shutil.copytree(stored_board.folder / name, tmp_path / "earlier" / name)
    stored_board.restart(100)
    pull_from(stored_board, tmp_path / "a", contact=False)
    before = bytes_in(tmp_path / "a")
    stored_board.stop()
    for name in ("log", "log.end"):
        shutil.rmtree(stored_board.folder / name)
    shutil.copytree(tmp_path / "earlier", stored_board.folder, dirs_exist_ok=True)
    stored_board.restart(0)
    with pytest.raises(ArchiveConflict, match="set back.*move that file away"):
        pull_from(stored_board, tmp_path / "a", contact=False)
    assert bytes_in(tmp_path / "a") == before


def test_a_new_log_on_the_same_board_is_another_file(stored_board, tmp_path):
    pull_from(stored_board, tmp_path / "a")
    stored_board.stop()
    shutil.rmtree(stored_board.folder / "log")
    stored_board.config["log"] = 0x77777777
    stored_board.restart(3)
    (said,) = pull_from(stored_board, tmp_path / "a").warnings
    assert "begun a new log" in said and LOG in said and "salvage" in said
    assert pull_from(stored_board, tmp_path / "a").warnings == []
    assert Archive.open(tmp_path / "a").logs(DEVICE) == [LOG, "77777777"]


def test_two_pulls_at_once(stored_board, tmp_path):
    archive = Archive.create(tmp_path / "a")
    with archive.writer(DEVICE, LOG), pytest.raises(ArchiveBusy, match="another pull"):
        pull_from(stored_board, tmp_path / "a")


def test_full_disk_in_mid_pull(stored_board, tmp_path, monkeypatch):
    from skidwright.archive import log_file

    whole_append = log_file.LogWriter.append
    room = [5]

    def append(self, data, sealed):
        room[0] -= 1
        if room[0] < 0:
            raise log_file.disk_error(OSError(28, "No space left on device"), self.path)
        whole_append(self, data, sealed)

    monkeypatch.setattr(log_file.LogWriter, "append", append)
    with pytest.raises(DiskFull, match="make room"):
        pull_from(stored_board, tmp_path / "a", contact=False)
    assert len(bytes_in(tmp_path / "a")) == 5 * 4096
    monkeypatch.undo()
    pull_from(stored_board, tmp_path / "a", contact=False)
    assert check_whole(bytes_in(tmp_path / "a")) == 301


def test_an_end_that_the_board_lost_is_said(stored_board, tmp_path):
    held = pull_from(stored_board, tmp_path / "a", contact=False).next_seq
    spoil_file(stored_board, 11, lambda raw: raw[:-288])
    summary = pull_from(stored_board, tmp_path / "a", contact=False)
    said = [line for line in summary.warnings if "lost in its flash" in line]
    assert len(said) == 1 and f"records {held - 2} to {held - 1}, which it had stored" in said[0]
    raw = bytes_in(tmp_path / "a")
    assert parse_header(raw[11 * 4096 :]).segment == 13 and parse_header(raw[11 * 4096 :]).first_seq == held
