"""What somebody with the archive and a good editor can do to a log, and what is seen of it.

What must hold, with the firmware's own journal and the host's reader:

1. A record removed, swapped with another or edited in a closed segment, its CRC and numbers made right
   again, is seen through the chain, and the segment is named: by SHA-256 and by HMAC alike.
2. A forger who also makes all later digests anew is not seen with SHA-256. With HMAC, without the key, he is:
   whether he makes HMACs with a key of his own, or leaves the key away from there on.
3. Without the key an HMAC chain is said to be untried, never to be good.
4. What is before the first keyed link is protected by it: a key may come later than the log.

HMAC is checked against `hmac` of the standard library (RFC 2104), the journal's against it in test_journal.
"""

import hashlib
import hmac
import itertools
import struct
import zlib

import pytest
from skidboard import log_key, records
from skidboard.journal import Journal
from skidwright.log import chain, dataset
from skidwright.log import seal as log_keys
from skidwright.samples import tally
from skidwright.samples.assessment import Assessment

DEVICE = bytes.fromhex("e661410403a1b2c3")
LOG = 0x5EED0001
KEY, OTHER = bytes(range(32)), bytes(32)
SEGMENT, HEAD, SLOT = records.SEGMENT_BYTES, records.HEADER_BYTES, records.RECORD_BYTES
LAST = 5  # blocks 0 to 4 are closed, 5 is open


def journal_bytes(tmp_path, keys):
    """The archive file of a log that a board wrote in as many boots as there are `keys`, 50 records each."""
    folder = str(tmp_path / "log")
    slot = bytearray(SLOT)
    for key in keys:
        journal = Journal(folder, DEVICE, lambda: LOG, key=key)
        boot = journal.open()
        for _ in range(50):
            seq = journal.next_seq
            records.pack_event(slot, records.MARK, boot, 1000 * seq, a=seq, text=f"reading {seq}")
            assert journal.append(slot) == seq
    files = sorted((tmp_path / "log").glob("*/*.seg"))
    blocks = [file.read_bytes() for file in files]
    assert len(blocks) == LAST + 1 and all(len(block) == SEGMENT for block in blocks[:-1])
    return bytearray(b"".join(blocks))


def judged(tmp_path, raw, key=None):
    """The chain's result and the decoded log of an archive file with these bytes."""
    path = tmp_path / DEVICE.hex() / f"{LOG:08x}.skidlog"
    path.parent.mkdir(exist_ok=True)
    path.write_bytes(raw)
    result = dataset.verify_chain(path, key)
    return result, dataset.decode(bytes(raw), DEVICE, LOG, result)


def reseal(raw, block, slot):
    """Make a record's CRC right again."""
    at = block * SEGMENT + HEAD + slot * SLOT
    raw[at + 140 : at + 144] = struct.pack("<I", zlib.crc32(raw[at : at + 140], 0x2144DF1C))


def edit(raw, block):
    """Another value in one record."""
    at = block * SEGMENT + HEAD + 9 * SLOT
    raw[at + 28 : at + 32] = struct.pack("<I", 4711)
    reseal(raw, block, 9)


def swap(raw, block):
    """Two records change places, and numbers."""
    one, other = (block * SEGMENT + HEAD + k * SLOT for k in (3, 17))
    raw[one : one + SLOT], raw[other : other + SLOT] = raw[other : other + SLOT], raw[one : one + SLOT]
    raw[one + 4 : one + 8], raw[other + 4 : other + 8] = raw[other + 4 : other + 8], raw[one + 4 : one + 8]
    reseal(raw, block, 3)
    reseal(raw, block, 17)


def remove(raw, block):
    """One record taken out, those behind it moved up and renumbered, the last one twice to fill the place."""
    start = block * SEGMENT + HEAD
    for k in range(5, 27):
        at = start + k * SLOT
        raw[at : at + SLOT] = raw[at + SLOT : at + 2 * SLOT]
        raw[at + 4 : at + 8] = struct.pack("<I", struct.unpack_from("<I", raw, at + 4)[0] - 1)
        reseal(raw, block, k)


ACTS = [edit, swap, remove]
PROTECTIONS = {"sha256": (None, None, None), "hmac": (KEY, KEY, KEY)}


def rewrite(raw, block, digest, kind):
    """Make all digests after `block` anew: `digest` of a segment's bytes, chain `kind`."""
    for later in range(block + 1, LAST + 1):
        at = later * SEGMENT
        raw[at + 5] = kind
        raw[at + 28 : at + 60] = digest(bytes(raw[at - SEGMENT : at]))
        raw[at + 60 : at + 64] = struct.pack("<I", zlib.crc32(raw[at : at + 60]))


@pytest.mark.parametrize("protection", PROTECTIONS)
@pytest.mark.parametrize("act", ACTS)
def test_a_change_with_its_crc_made_right_is_seen_and_placed(tmp_path, protection, act):
    keys = PROTECTIONS[protection]
    raw = journal_bytes(tmp_path, keys)
    result, data = judged(tmp_path, raw, keys[0])
    assert (result.ok, result.links, result.keyed) == (True, LAST, LAST if keys[0] else 0)
    assert data.report.ok
    for block in range(LAST):
        forged = bytearray(raw)
        act(forged, block)
        assert dataset.decode(bytes(forged), DEVICE, LOG).report.ok, "CRCs and numbers show nothing"
        result, data = judged(tmp_path, forged, keys[0])
        number = block + 1
        assert (result.ok, result.broken_segments) == (False, {number})
        assert result.links == LAST - 1
        assert [finding.segment for finding in data.report.findings] == [number]


@pytest.mark.parametrize("act", ACTS)
def test_sha256_does_not_see_a_forger_who_makes_all_later_digests_anew(tmp_path, act):
    raw = journal_bytes(tmp_path, (None, None, None))
    act(raw, 2)
    rewrite(raw, 2, lambda block: hashlib.sha256(block).digest(), records.CHAIN_SHA256)
    result, _ = judged(tmp_path, raw)
    assert result.ok and result.links == LAST
    assert "SHA-256 without a key" in result.protection and "not a forger" in result.protection


FORGERIES = {
    "with a key of his own": (lambda block: hmac.digest(OTHER, block, "sha256"), records.CHAIN_HMAC),
    "with plain digests": (lambda block: hashlib.sha256(block).digest(), records.CHAIN_SHA256),
    "with plain digests that pass for keyed ones": (
        lambda block: hashlib.sha256(block).digest(),
        records.CHAIN_HMAC,
    ),
}


@pytest.mark.parametrize("forgery", FORGERIES)
@pytest.mark.parametrize(("act", "block"), list(itertools.product(ACTS, range(LAST))))
def test_hmac_sees_him(tmp_path, forgery, act, block):
    raw = journal_bytes(tmp_path, (KEY, KEY, KEY))
    act(raw, block)
    rewrite(raw, block, *FORGERIES[forgery])
    result, _ = judged(tmp_path, raw, KEY)
    assert not result.ok and block + 1 in result.broken_segments


def test_a_log_made_anew_from_end_to_end_without_the_key_is_not_called_keyed(tmp_path):
    raw = journal_bytes(tmp_path, (KEY, KEY, KEY))
    edit(raw, 0)
    raw[5] = records.CHAIN_SHA256
    raw[60:64] = struct.pack("<I", zlib.crc32(raw[:60]))
    rewrite(raw, 0, *FORGERIES["with plain digests"])
    result, _ = judged(tmp_path, raw, KEY)
    # Nothing in the file says that there ever was a key; who has the key is told.
    assert (result.ok, result.keyed) == (True, 0)
    assert "without a key, though this board has one" in result.protection


@pytest.mark.parametrize("key", [None, OTHER])
def test_without_the_right_key_nothing_is_called_good(tmp_path, key):
    raw = journal_bytes(tmp_path, (KEY, KEY, KEY))
    result, _ = judged(tmp_path, raw, key)
    assert (result.links, result.keyed) == (0, 0)
    if key is None:
        assert (result.without_key, result.untried) == (LAST, LAST + 1)
        assert "not tried because no key was given" in result.protection
    else:
        assert not result.ok and "may be the wrong key" in result.protection


def test_a_key_that_came_later_protects_what_was_before(tmp_path):
    raw = journal_bytes(tmp_path, (None, KEY, KEY))
    result, _ = judged(tmp_path, raw, KEY)
    assert (result.ok, result.links, result.keyed) == (True, LAST, 4)
    edit(raw, 0)
    raw[SEGMENT + 28 : SEGMENT + 60] = hashlib.sha256(raw[:SEGMENT]).digest()
    raw[SEGMENT + 60 : SEGMENT + 64] = struct.pack("<I", zlib.crc32(raw[SEGMENT : SEGMENT + 60]))
    result, _ = judged(tmp_path, raw, KEY)
    assert result.broken_segments == {2}, "the first keyed link does not hold any more"


def test_a_key_that_is_dropped_later_is_said(tmp_path):
    raw = journal_bytes(tmp_path, (KEY, KEY, None))
    result, data = judged(tmp_path, raw, KEY)
    assert not result.ok and "without the key" in str(result.findings[0])
    assert not data.report.ok


def test_of_two_keys_the_one_that_fits_is_taken(tmp_path):
    raw = journal_bytes(tmp_path, (KEY, KEY, KEY))
    path = tmp_path / "x.skidlog"
    path.write_bytes(raw)
    assert chain.fitting_key(path, [OTHER, KEY]) == KEY == chain.fitting_key(path, [KEY, OTHER])
    assert chain.fitting_key(path, [OTHER]) == OTHER and chain.fitting_key(path, []) is None


def test_key_files(tmp_path, monkeypatch):
    monkeypatch.setattr(log_keys, "folder", lambda: tmp_path / "keys")
    device = DEVICE.hex()
    assert log_keys.of(device) == []
    path = log_keys.remember(device, KEY)
    assert path.stat().st_mode & 0o077 == 0
    assert log_keys.remember(device, OTHER) == path and log_keys.of(device) == [KEY, OTHER]
    log_keys.remember(device, KEY)
    assert log_keys.of(device) == [OTHER, KEY], "the newest last"
    path.write_text("not a key\n")
    with pytest.raises(log_keys.KeyFileError, match="this is no key file"):
        log_keys.of(device)
    first, second = log_keys.make(), log_keys.make()
    assert len(first) == len(second) == log_key.KEY_BYTES and first != second


@pytest.mark.parametrize(("content", "wrong"), [(None, 0), (KEY, 0), (KEY[:31], 1), (b"", 1), (KEY * 2, 1)])
def test_the_board_takes_a_whole_key_or_says_so(tmp_path, content, wrong):
    if content is not None:
        (tmp_path / "log.key").write_bytes(content)
    key, problems = log_key.load(f"{tmp_path}/settings.json")
    assert key == (KEY if content == KEY else None) and len(problems) == wrong


@pytest.mark.parametrize("key", [None, b"k" * 32])
def test_a_spoilt_header_hides_no_edit(tmp_path, key):
    """A header is damaged so that the segment's digest cannot be tried, and a record in it changed."""
    raw = journal_bytes(tmp_path, [key] * 3)
    raw[2 * SEGMENT + 20] ^= 1
    result, _ = judged(tmp_path, raw, key)
    assert result.ok, "its header was damaged, and all else is proven by the next segment's digest"
    edit(raw, 2)
    result, data = judged(tmp_path, raw, key)
    assert result.broken_segments == {2 + 1}  # the journal numbers from 1


def test_a_keyed_log_without_its_key_is_said_to_be_untried(tmp_path):
    path = tmp_path / DEVICE.hex() / f"{LOG:08x}.skidlog"
    path.parent.mkdir()
    path.write_bytes(journal_bytes(tmp_path, (KEY, KEY, KEY)))
    said = tally.log_row(Assessment(path))["integrity"]
    assert "NOT tried" in said and f"{LAST} keyed links" in said
    assert "all verified" not in said and "one segment" not in said
    assert tally.log_row(Assessment(path, chain_key=KEY))["integrity"].startswith("all verified, 5 links")
