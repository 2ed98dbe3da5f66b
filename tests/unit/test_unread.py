"""Which records that cannot be read may be newer than a sample: against what the test itself has spoilt."""

import random
from pathlib import Path

import pytest
import synthetic_log as sl
from skidboard import records
from skidwright.samples import unreadable
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import histories

N = 100


def place(seq: int) -> int:
    segment, slot = divmod(seq, records.SLOTS)
    return segment * records.SEGMENT_BYTES + records.HEADER_BYTES + slot * records.RECORD_BYTES


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    made.parent.mkdir()
    return made


def test_each_spoilt_record_is_newer_than_those_before_it_only(path: Path) -> None:
    """Records spoilt by a byte or lost in writing, at random and at the end; nothing else is damage."""
    dice = random.Random(310)
    good = sl.good_log(N)
    ends = 0
    for _ in range(60):
        spoilt = {dice.randrange(2, N) for _ in range(dice.randrange(4))}
        spoilt |= set(range(N - dice.choice((0, 0, 1, 3)), N))
        raw = bytearray(good)
        for seq in spoilt:
            raw[place(seq) + dice.randrange(records.RECORD_BYTES)] ^= 1 << dice.randrange(8)
        path.write_bytes(raw)
        log = Assessment(path)
        history = histories([log], [1])[1]
        assert set(history.seq.tolist()) == set(range(2, N)) - spoilt
        found = unreadable.unread(log)
        ends += any(one.last_seq is None for one in found)
        # A segment whose successor is chained to other bytes was changed as a whole.
        changed = {seq // records.SLOTS for seq in spoilt if seq < N // records.SLOTS * records.SLOTS}
        for row, seq in enumerate(history.seq.tolist()):
            newer = any(one > seq for one in spoilt)
            later = unreadable.since(history, row, [log])
            assert bool(later) == newer or seq // records.SLOTS in changed, (
                seq,
                spoilt,
                list(map(str, later)),
            )
            assert newer <= bool(later)
    assert ends > 20


def test_hostile_logs_are_gone_through(path: Path) -> None:
    """Bytes at random, pieces moved, cut and put in: whatever is found, nothing fails."""
    dice = random.Random(2)
    good = sl.good_log(N)
    for _ in range(150):
        raw = bytearray(good)
        for _ in range(dice.randrange(1, 5)):
            at, size = dice.randrange(len(raw) or 1), dice.randrange(1, 9000)
            piece = dice.choice((dice.randbytes(size), bytes(size), b"\xff" * size, bytes(raw[:size]), b""))
            raw[at : at + dice.choice((0, len(piece), size))] = piece
        path.write_bytes(raw)
        log = Assessment(path)
        for one in unreadable.unread(log):
            assert "\n" not in str(one) and one.path == path
            assert one.last_seq is None or one.last_seq > one.after_seq


def test_a_sound_log_has_none(path: Path) -> None:
    path.write_bytes(sl.good_log(N))
    assert unreadable.unread(Assessment(path)) == []
