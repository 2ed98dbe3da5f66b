"""Two logs that bear the same device and the same log id: `pull` never makes one of them.

It happens when a board's flash is set back to an earlier image and has gone on since, and when a virtual
skid is run again. What must hold, wherever the two part from each other and wherever the archive ends:

1. The pull ends in one line, an ArchiveConflict that says where they differ; the archive stays as it was.
2. The board is told nothing: no contact record, and nothing that is not in the archive is called safe.
3. What is one log, parted only after what the archive holds, is pulled as ever.
"""

import random
import shutil
import struct
import zlib
from pathlib import Path

import pytest
from cable_board import DEVICE, LOG, BadCable, CableBoard, Clock
from skidboard import records
from skidwright.archive import pull as pull_module
from skidwright.archive.folder import Archive
from skidwright.errors import ArchiveConflict
from skidwright.link import session as session_module
from skidwright.link.session import Session

SEGMENT, HEAD, SLOT = 4096, 64, 144


@pytest.fixture
def clock(monkeypatch):
    made = Clock()
    monkeypatch.setattr(session_module, "time", made)
    monkeypatch.setattr(pull_module, "time", made)
    return made


def grow(board, n, text):
    for i in range(n):
        board.event(records.MARK, a=i, text=f"{text} {i}")


def pull(board, archive, contact=False):
    cable = BadCable(board, board._clock, random.Random(1), 0.0)
    with Session(cable) as session:
        return pull_module.pull(session, archive, clock=board._clock.utc_ms, contact=contact)


def path_of(archive):
    return archive.log_path(DEVICE.hex(), f"{LOG:08x}")


def refused(board, archive, contact=True):
    """Assert that a pull is refused and leaves archive and board alone; what it said."""
    held, theirs = path_of(archive).read_bytes(), board.log_bytes()
    stored = board.journal.stored_seq
    with pytest.raises(ArchiveConflict) as error:
        pull(board, archive, contact)
    said = str(error.value)
    assert path_of(archive).read_bytes() == held and not list(path_of(archive).parent.glob("*.damaged"))
    assert (board.log_bytes(), board.journal.stored_seq) == (theirs, stored)
    assert "\n" not in said and len(said) < 400 and str(path_of(archive)) in said
    assert "move that file away, then pull again" in said
    return said


class Parted:
    """Boards whose logs share their first records; `one` goes on by itself, `other` otherwise."""

    other: CableBoard

    def __init__(self, folder: Path, clock: Clock, common: int) -> None:
        folder.mkdir(exist_ok=True)
        self._folder, self._clock = folder, clock
        self.one = CableBoard(folder / "one", clock)
        grow(self.one, common - 1, "both")
        shutil.copytree(folder / "one", folder / "other")

    def part(self, held: int, n: int) -> None:
        """Let the one's log grow to `held` records and the other's to `n`: it was set back, and starts."""
        grow(self.one, held - self.one.journal.next_seq, "one")
        self.other = CableBoard(self._folder / "other", self._clock)
        grow(self.other, n - self.other.journal.next_seq, "other")


# Inside the first segment, at its end, inside the next: 28 records are a segment.
@pytest.mark.parametrize("held", [2, 9, 28, 29, 34])
@pytest.mark.parametrize("further", [0, 30])
def test_logs_that_part_before_the_archive_ends_are_refused_wherever_that_is(tmp_path, clock, held, further):
    for common in range(1, held):
        place = tmp_path / str(common)
        boards = Parted(place, clock, common)
        boards.part(held, held + further)
        archive = Archive.create(place / "a")
        pull(boards.one, archive)
        assert len(path_of(archive).read_bytes()) > 64
        said = refused(boards.other, archive)
        assert "differ in log 5eed0001" in said and "set back" in said
        last = (held - 1) // 28
        if common // 28 == last:
            # A segment's header bears the number of the boot, which is another one too.
            where = f"record {common} in segment {last + 1} is another"
            assert (where if common % 28 else f"segment {last + 1} begins otherwise") in said


@pytest.mark.parametrize("held", [1, 9, 27, 28, 29, 56])
@pytest.mark.parametrize("further", [1, 30])
def test_a_log_that_parts_later_is_pulled_as_ever(tmp_path, clock, held, further):
    boards = Parted(tmp_path, clock, held)
    archive = Archive.create(tmp_path / "a")
    pull(boards.one, archive)
    boards.part(held + 5, held + further)
    summary = pull(boards.other, archive)
    assert summary.warnings == [] and path_of(archive).read_bytes() == boards.other.log_bytes()


@pytest.mark.parametrize("slot", range(9))
def test_one_record_in_the_middle_is_enough(tmp_path, clock, slot):
    """All others are the same, the last held one too: two runs of a virtual skid with a mark of their own."""
    boards = Parted(tmp_path, clock, 9)
    archive = Archive.create(tmp_path / "a")
    pull(boards.one, archive)
    path = tmp_path / "other" / "0000000" / "00000001.seg"
    raw = bytearray(path.read_bytes())
    at = HEAD + slot * SLOT
    raw[at + 28 : at + 32] = struct.pack("<I", 4711)
    raw[at + 140 : at + 144] = struct.pack("<I", zlib.crc32(raw[at : at + 140], 0x2144DF1C))
    path.write_bytes(raw)
    boards.part(9, 30)
    assert f"record {slot} in segment 1 is another" in refused(boards.other, archive)


def test_another_first_header_is_enough(tmp_path, clock):
    boards = Parted(tmp_path, clock, 9)
    archive = Archive.create(tmp_path / "a")
    pull(boards.one, archive)
    path = tmp_path / "other" / "0000000" / "00000001.seg"
    raw = bytearray(path.read_bytes())
    raw[28:60] = bytes(range(32))
    raw[60:64] = struct.pack("<I", zlib.crc32(raw[:60]))
    path.write_bytes(raw)
    boards.part(9, 30)
    assert "segment 1 begins otherwise" in refused(boards.other, archive)


def test_the_next_digest_tells_when_the_board_has_the_segment_no_more(tmp_path, clock):
    boards = Parted(tmp_path, clock, 28 * 3 - 5)
    boards.part(28 * 3, 28 * 3)
    archive = Archive.create(tmp_path / "a")
    pull(boards.one, archive)
    boards.other._segments_max = boards.other.journal.segments_max = 3
    while boards.other.journal.segment_first < 4:
        grow(boards.other, 1, "other")
    assert boards.other.journal.segment_first == 4
    assert "segment 4 is chained to another segment 3" in refused(boards.other, archive)
    # The one's own goes on, reclaimed as far.
    boards.one._segments_max = boards.one.journal.segments_max = 3
    while boards.one.journal.segment_first < 4:
        grow(boards.one, 1, "one")
    summary = pull(boards.one, archive)
    assert summary.warnings == [] and summary.records > 28


def test_rot_on_either_side_is_no_other_log(tmp_path, clock):
    board = CableBoard(tmp_path / "one", clock)
    grow(board, 9, "one")
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)
    sound = path_of(archive).read_bytes()
    for at in range(20, len(sound), 37):
        raw = bytearray(sound)
        raw[at] ^= 0x10
        path_of(archive).write_bytes(raw)
        if at < HEAD:
            continue  # Without its only header nothing in the file can be recognised.
        summary = pull(board, archive)
        assert len(summary.healed) == 1 and path_of(archive).read_bytes() == sound
    for aside in path_of(archive).parent.glob("*.damaged"):
        aside.unlink()
    path = tmp_path / "one" / "0000000" / "00000001.seg"
    raw = bytearray(path.read_bytes())
    raw[HEAD + 4 * SLOT + 9] ^= 1
    path.write_bytes(raw)
    board.restart()
    summary = pull(board, archive)
    assert path_of(archive).read_bytes().startswith(sound) and summary.records == 2
    assert any("chained" in line for line in summary.warnings)


def test_rot_here_does_not_hide_another_log(tmp_path, clock):
    """Healing would take the board's whole segment in place of a damaged one: not that of another log."""
    boards = Parted(tmp_path, clock, 4)
    boards.part(9, 20)
    archive = Archive.create(tmp_path / "a")
    pull(boards.one, archive)
    raw = bytearray(path_of(archive).read_bytes())
    raw[HEAD + 2 * SLOT + 50] ^= 4
    path_of(archive).write_bytes(raw)
    assert "record 4 in segment 1 is another" in refused(boards.other, archive)


def test_a_second_run_of_a_virtual_skid_that_went_otherwise(tmp_path, clock):
    """The archive may hold a few records of a first segment only, and the second run many segments."""
    one, other = CableBoard(tmp_path / "one", clock), CableBoard(tmp_path / "other", clock)
    grow(one, 9, "one")
    grow(other, 100, "other")
    archive = Archive.create(tmp_path / "a")
    pull(one, archive)
    assert "record 1 in segment 1 is another" in refused(other, archive)
    path_of(archive).rename(tmp_path / "away")
    pull(other, archive)
    assert path_of(archive).read_bytes() == other.log_bytes()
