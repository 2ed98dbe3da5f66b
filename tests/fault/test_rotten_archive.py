"""An archive whose own bytes have rotted, or were changed, and a board that still has them: `pull` heals it.

What must hold:

1. After the pull archive and board are identical, and the damaged bytes are in a file beside the log.
2. What the board does not have any more is left as it is, and said.
3. What is damaged on the board itself is not called the archive's damage.
4. What is sound on both sides and differs is no rot: it is refused, and nothing is changed.
5. A disk that is full in mid-healing leaves the archive as it was, and says so.
"""

import errno
import random
import struct
import zlib

import pytest
from cable_board import DEVICE, LOG, BadCable, CableBoard, Clock
from skidboard import records
from skidwright.archive import log_file
from skidwright.archive import pull as pull_module
from skidwright.archive.folder import Archive
from skidwright.errors import ArchiveConflict, DiskFull, SkidwrightError
from skidwright.link import session as session_module
from skidwright.link.session import Session

SEGMENT, HEAD, SLOT = 4096, 64, 144


@pytest.fixture
def clock(monkeypatch):
    made = Clock()
    monkeypatch.setattr(session_module, "time", made)
    monkeypatch.setattr(pull_module, "time", made)
    return made


@pytest.fixture
def board(tmp_path, clock):
    made = CableBoard(tmp_path / "log", clock, segments_max=12)
    grow(made, 28 * 6 + 10)
    return made


def grow(board, n):
    for i in range(n):
        board.event(records.MARK, a=i, text=f"record {i}")


def pull(board, archive):
    cable = BadCable(board, board._clock, random.Random(1), 0.0)
    with Session(cable) as session:
        return pull_module.pull(session, archive, clock=board._clock.utc_ms, contact=False)


def path_of(archive):
    return archive.log_path(DEVICE.hex(), f"{LOG:08x}")


def spoil(archive, change):
    raw = bytearray(path_of(archive).read_bytes())
    change(raw)
    path_of(archive).write_bytes(raw)
    return bytes(raw)


def flip(segment, at):
    def change(raw):
        raw[segment * SEGMENT + at] ^= 0x10

    return change


def edit(raw):
    """Another value in a record, its CRC made right again: only the chain can tell."""
    at = 3 * SEGMENT + HEAD + 5 * SLOT
    raw[at + 28 : at + 32] = struct.pack("<I", 4711)
    raw[at + 140 : at + 144] = struct.pack("<I", zlib.crc32(raw[at : at + 140], 0x2144DF1C))


def rot(raw):
    dice = random.Random(7)
    for _ in range(40):
        raw[dice.randrange(len(raw) - SEGMENT)] ^= 1 << dice.randrange(8)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (flip(2, HEAD + 3 * SLOT + 50), "1 of its records are damaged, the first in slot 3"),
        (flip(4, 20), "its header is damaged"),
        (flip(0, 20), "its header is damaged"),
        (flip(6, HEAD + 2 * SLOT + 7), "the first in slot 2"),
        (edit, "it is not the one the next is chained to"),
        (rot, "damaged"),
    ],
    ids=["record", "header", "first header", "open segment", "edited", "all over"],
)
def test_rot_is_healed_from_the_board(board, tmp_path, change, said):
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)
    spoilt = spoil(archive, change)
    grow(board, 3)
    summary = pull(board, archive)
    assert path_of(archive).read_bytes() == board.log_bytes()
    assert not summary.warnings and summary.healed and any(said in line for line in summary.healed)
    for line in summary.healed:
        assert "\n" not in line
        aside = path_of(archive).with_name(line.split()[-1])
        at = spoilt.index(aside.read_bytes())
        assert at % SEGMENT == 0 and f"segment {at // SEGMENT + 1} " in line
    again = pull(board, archive)
    assert not again.healed and not again.warnings and again.bytes_moved == 0


def test_an_edit_in_the_open_segment_is_refused(board, tmp_path):
    """By its CRC it is sound, and no digest says yet which of the two is the true one."""
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)

    def edit_the_last(raw):
        at = 6 * SEGMENT + HEAD + 5 * SLOT
        raw[at + 28 : at + 32] = struct.pack("<I", 4711)
        raw[at + 140 : at + 144] = struct.pack("<I", zlib.crc32(raw[at : at + 140], 0x2144DF1C))

    spoilt = spoil(archive, edit_the_last)
    grow(board, 40)
    with pytest.raises(ArchiveConflict, match="record 173 in segment 7 is another.*the archive was changed"):
        pull(board, archive)
    assert path_of(archive).read_bytes() == spoilt
    path_of(archive).rename(tmp_path / "away")
    pull(board, archive)
    assert path_of(archive).read_bytes() == board.log_bytes()


def test_rot_that_the_board_no_longer_has_is_left_and_said(board, tmp_path):
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)
    grow(board, 28 * 5)
    pull(board, archive)
    spoilt = spoil(archive, flip(0, HEAD + 9 * SLOT))
    grow(board, 28 * 4)
    assert board.journal.segment_first > 1
    summary = pull(board, archive)
    assert summary.healed == []
    (line,) = summary.warnings
    assert "archive's segment 1" in line and "does not have it any more" in line and "slot 9" in line
    assert path_of(archive).read_bytes().startswith(spoilt[: 6 * SEGMENT])
    assert not list(path_of(archive).parent.glob("*.damaged"))


def test_damage_of_the_board_itself_is_no_damage_of_the_archive(board, tmp_path):
    path = tmp_path / "log" / "0000000" / "00000003.seg"
    raw = bytearray(path.read_bytes())
    raw[HEAD + 4 * SLOT] ^= 1
    path.write_bytes(raw)
    archive = Archive.create(tmp_path / "a")
    assert any("archived as it is on the board" in line for line in pull(board, archive).warnings)
    summary = pull(board, archive)
    assert not summary.healed and not summary.warnings


def test_sound_bytes_here_outlive_rot_on_the_board(board, tmp_path):
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)
    before = path_of(archive).read_bytes()
    path = tmp_path / "log" / "0000000" / "00000003.seg"
    raw = bytearray(path.read_bytes())
    raw[HEAD + 4 * SLOT] ^= 1
    path.write_bytes(raw)
    assert not pull(board, archive).healed and path_of(archive).read_bytes() == before


def test_disk_full_in_mid_healing(board, tmp_path, monkeypatch):
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)
    spoilt = spoil(archive, flip(2, HEAD + 3 * SLOT + 50))

    def full(_fd):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(log_file.os, "fsync", full)
    with pytest.raises(DiskFull):
        pull(board, archive)
    assert path_of(archive).read_bytes() == spoilt
    monkeypatch.undo()
    monkeypatch.setattr(session_module, "time", board._clock)
    monkeypatch.setattr(pull_module, "time", board._clock)
    assert len(pull(board, archive).healed) == 1
    assert path_of(archive).read_bytes() == board.log_bytes()


def test_any_bytes_in_the_archive_end_in_a_whole_log_or_one_line(board, tmp_path):
    """Stretches of noise, moved blocks, forged headers with good CRCs: no crash, no hang, nothing gone."""
    archive = Archive.create(tmp_path / "a")
    pull(board, archive)
    sound = path_of(archive).read_bytes()
    healed = 0
    for seed in range(120):
        dice = random.Random(seed)
        raw = bytearray(sound)
        for _ in range(dice.randrange(1, 4)):
            at = dice.randrange(len(raw))
            what = dice.randrange(4)
            if what == 0:
                n = dice.choice((1, 20, 300, 5000))
                raw[at : at + n] = dice.randbytes(len(raw[at : at + n]))
            elif what == 1:
                place = at // SEGMENT * SEGMENT
                raw[place + 20 : place + 24] = struct.pack("<I", dice.choice((0, 3, 500, 2**32 - 1)))
                raw[place + 60 : place + 64] = struct.pack("<I", zlib.crc32(raw[place : place + 60]))
            elif what == 2:
                del raw[at : at + dice.choice((1, SLOT, SEGMENT))]
            else:
                raw[at:at] = dice.randbytes(dice.choice((1, SLOT, SEGMENT)))
        path_of(archive).write_bytes(raw)
        for aside in path_of(archive).parent.glob("*.damaged"):
            aside.unlink()
        try:
            summary = pull(board, archive)
        except SkidwrightError as error:
            assert "\n" not in str(error) and len(str(error)) < 400
            continue
        same = path_of(archive).read_bytes() == board.log_bytes()
        assert same or summary.warnings, f"seed {seed}: neither whole nor said"
        healed += same and bool(summary.healed)
    assert healed > 10
