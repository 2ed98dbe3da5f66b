"""The board's seal over its newest records: asked for at each pull, kept beside the log, tried with the key.

What must hold, with the firmware's own journal and link at the far end of a cable:

1. The seal is HMAC-SHA-256 (RFC 2104, FIPS 198-1; here Python's `hmac`) over the bytes that docs/link.md
   names.
2. Whatever somebody without the key changes in the open segment, with its CRC made right again, is seen; so
   are an end that was cut off, a seal of another log, board or key, and each changed byte of the seal.
3. Without the key a seal is said to be untried, and without a seal nothing after the last link is proven.
"""

import hmac
import random
import struct
import zlib

import pytest
from cable_board import DEVICE, LOG, BadCable, CableBoard, Clock
from skidboard import records
from skidwright.archive import pull as pull_module
from skidwright.archive.folder import Archive
from skidwright.errors import BadReply, Refused
from skidwright.link import session as session_module
from skidwright.link.session import Session
from skidwright.log import dataset, seal

KEY, OTHER = bytes(range(32)), bytes(32)
SEGMENT, HEAD, SLOT = 4096, 64, 144


@pytest.fixture
def clock(monkeypatch):
    made = Clock()
    monkeypatch.setattr(session_module, "time", made)
    monkeypatch.setattr(pull_module, "time", made)
    return made


def grow(board, n):
    for i in range(n):
        board.event(records.MARK, a=i, text=f"reading {i}")


def session_with(board):
    return Session(BadCable(board, board._clock, random.Random(1), 0.0))


def pulled(board, tmp_path, key=KEY):
    """The summary of a pull into the archive, and where the log is."""
    archive = Archive.create(tmp_path / "archive")
    with session_with(board) as session:
        summary = pull_module.pull(session, archive, clock=board._clock.utc_ms, key=key)
    return summary, archive.log_path(DEVICE.hex(), f"{LOG:08x}")


@pytest.fixture
def sealed(tmp_path, clock):
    """A keyed log of two closed segments and an open one of ten records or so, pulled; where it is."""
    board = CableBoard(tmp_path / "board", clock, key=KEY)
    grow(board, 2 * 28 + 9)
    summary, path = pulled(board, tmp_path)
    assert summary.warnings == [] and summary.seal == f"sealed up to record {summary.next_seq - 1}"
    return path


def by_the_book(raw, key):
    """The MAC over the head of a seal and what it covers, from docs/link.md and nothing else."""
    label, device, log, segment, covered, _, _, _, _ = struct.unpack("<16s8sIIHHIQ16s", raw[:64])
    assert (label, device, log) == (b"skidboard seal 1", DEVICE, LOG)
    return lambda block: hmac.new(key, raw[:64] + block[:covered], "sha256").digest(), segment, covered


def test_the_seal_is_the_mac_of_head_and_records_and_proves_all(sealed):
    log, raw = sealed.read_bytes(), seal.path_beside(sealed).read_bytes()
    assert len(raw) == 96
    mac, segment, covered = by_the_book(raw, KEY)
    assert segment == 3 and covered == len(log) - 2 * SEGMENT and 5 * SLOT < covered < SEGMENT
    assert mac(log[2 * SEGMENT :]) == raw[64:]
    result = dataset.verify_chain(sealed, KEY)
    last = 2 * 28 + (covered - HEAD) // SLOT - 1
    assert result.ok and result.seal == seal.SealState(seal.HOLDS, last, 3)
    assert result.proven == ((0, last),) and result.proves(0, last) and not result.proves(0, last + 1)
    assert f"sealed up to record {last}" in result.protection


def test_each_record_of_the_open_segment_edited_is_seen(sealed):
    good = sealed.read_bytes()
    slots = (len(good) - 2 * SEGMENT - HEAD) // SLOT
    for slot in range(slots):
        raw = bytearray(good)
        at = 2 * SEGMENT + HEAD + slot * SLOT
        raw[at + 28] ^= 1
        raw[at + 140 : at + 144] = struct.pack("<I", zlib.crc32(raw[at : at + 140], 0x2144DF1C))
        sealed.write_bytes(raw)
        result = dataset.verify_chain(sealed, KEY)
        assert not result.ok and result.seal.state == seal.NO_FIT and result.broken_segments == {3}
        assert result.proven == ((0, 2 * 28 - 1),), "the link before it holds still"
        data = dataset.decode(bytes(raw), DEVICE, LOG, result)
        assert not data.report.ok
    assert slots > 5


def test_an_end_cut_off_is_seen(sealed):
    good = sealed.read_bytes()
    for size in range(2 * SEGMENT + HEAD, len(good), SLOT):
        sealed.write_bytes(good[:size])
        result = dataset.verify_chain(sealed, KEY)
        assert not result.ok and result.seal.state == seal.CUT_OFF
    sealed.write_bytes(good[: 2 * SEGMENT])
    assert dataset.verify_chain(sealed, KEY).seal.state == seal.CUT_OFF


def test_each_byte_of_the_seal_matters(sealed):
    path = seal.path_beside(sealed)
    good = path.read_bytes()
    for at in range(len(good)):
        raw = bytearray(good)
        raw[at] ^= 0x10
        path.write_bytes(raw)
        result = dataset.verify_chain(sealed, KEY)
        assert result.seal.state != seal.HOLDS, at
        assert result.proven == ((0, 2 * 28 - 1),)


def test_without_key_seal_or_with_another_key_nothing_is_said_to_be_proven(sealed):
    untried = dataset.verify_chain(sealed)
    assert (untried.seal.state, untried.proven) == (seal.NOT_TRIED, ())
    other = dataset.verify_chain(sealed, OTHER)
    assert (other.seal.state, other.proven) == (seal.NO_FIT, ())
    seal.path_beside(sealed).unlink()
    none = dataset.verify_chain(sealed, KEY)
    assert none.ok and none.seal.state == seal.NOT_SEALED and not none.proves(2 * 28, 2 * 28)
    assert "what is newer is not sealed" in none.protection


def test_a_seal_of_another_log_or_board_is_none_of_this_one(sealed):
    path = seal.path_beside(sealed)
    for at, bits in ((16, 1), (24, 1)):
        raw = bytearray(path.read_bytes())
        raw[at] ^= bits
        path.write_bytes(raw)
        assert dataset.verify_chain(sealed, KEY).seal.state == seal.NOT_SEALED


def test_goes_on_with_the_log_and_bridges_no_gap(tmp_path, clock):
    board = CableBoard(tmp_path / "board", clock, segments_max=3, key=KEY)
    grow(board, 20)
    for n in (2, 3, 20):
        grow(board, n)
        summary, path = pulled(board, tmp_path)
        assert dataset.verify_chain(path, KEY).proven == ((0, summary.next_seq - 1),)
    kept = [(one.segment, one.covered_bytes) for one in seal.read(path)]
    assert [number for number, _ in kept] == [1, 2] and kept[0][1] == SEGMENT
    grow(board, 28 * 6)
    held = summary.next_seq
    summary, path = pulled(board, tmp_path)
    assert summary.segments_missing > 0
    result = dataset.verify_chain(path, KEY)
    (first, last), (later, end) = result.proven
    assert (first, last, end) == (0, held - 1, summary.next_seq - 1) and later > held
    assert not result.proves(last, later)


def test_a_seal_that_does_not_fit_the_key_is_not_kept(sealed, tmp_path, clock):
    path = seal.path_beside(sealed)
    good = path.read_bytes()
    board = CableBoard(tmp_path / "board", clock, key=KEY)
    summary, _ = pulled(board, tmp_path, key=OTHER)
    assert summary.seal == "not sealed" and any("does not fit the key" in line for line in summary.warnings)
    assert path.read_bytes() == good
    summary, _ = pulled(board, tmp_path, key=None)
    assert summary.seal == seal.NOT_TRIED and path.read_bytes() != good


def test_a_board_without_a_key_seals_nothing(tmp_path, clock):
    board = CableBoard(tmp_path / "board", clock)
    grow(board, 5)
    summary, path = pulled(board, tmp_path)
    assert (summary.seal, summary.warnings) == ("", []) and not seal.path_beside(path).exists()
    with session_with(board) as session, pytest.raises(Refused, match="no key"):
        session.seal(session.hello(), 1, HEAD)


def test_an_answer_to_another_question_is_refused(tmp_path, clock, monkeypatch):
    board = CableBoard(tmp_path / "board", clock, key=KEY)
    with session_with(board) as session:
        hello = session.hello()
        old = session.seal(hello, 1, HEAD + SLOT)
        monkeypatch.setattr(session, "request", lambda *_: old)
        with pytest.raises(BadReply, match="not the one asked for"):
            session.seal(hello, 1, HEAD + SLOT)
        monkeypatch.undo()
        for segment, covered in ((1, HEAD + 2 * SLOT), (2, HEAD), (0, HEAD), (1, 65535), (1, 0)):
            with pytest.raises(Refused):
                session.seal(hello, segment, covered)


def test_a_log_pulled_anew_forgets_the_seals_of_the_file_moved_away(sealed, tmp_path, clock):
    board = CableBoard(tmp_path / "other", clock, key=KEY)
    grow(board, 40)
    sealed.unlink()
    _, path = pulled(board, tmp_path)
    assert path == sealed and [one.segment for one in seal.read(path)] == [2]
    assert dataset.verify_chain(path, KEY).ok
