"""Record and segment layouts, on both interpreters.

CRC-32 check value: "123456789" gives CBF43926 (ITU-T V.42 / IEEE 802.3 polynomial, the
customary check value of the published CRC catalogues). The residue of a message
followed by its own CRC, 2144DF1C, is a property of that polynomial and follows from it.
"""

import struct
from binascii import crc32

from skidboard import records


def _event(text=""):
    slot = bytearray(b"\xa5" * records.RECORD_BYTES)
    records.pack_event(slot, records.MARK, 7, 123456789012, faults=5, asset=3, run=9, code=2, a=1, b=2, c=3,
                       d=4, utc_ms=1700000000123, text=text)  # fmt: skip
    return slot


def test_crc_is_the_published_one():
    assert crc32(b"123456789") == 0xCBF43926
    body = b"any message at all"
    assert crc32(body + struct.pack("<I", crc32(body))) == records.CRC_CARRY


def test_layouts_fill_a_block():
    assert struct.calcsize(records.HEADER_FORMAT) == records.HEADER_BYTES
    assert struct.calcsize(records.SAMPLE_FORMAT) == records.RECORD_BYTES
    assert struct.calcsize(records.EVENT_FORMAT) == records.RECORD_BYTES
    assert records.HEADER_BYTES + records.SLOTS * records.RECORD_BYTES == records.SEGMENT_BYTES


def test_an_event_comes_back():
    slot = _event("pump strainer cleaned")
    records.seal_record(slot, 77)
    assert records.record_ok(slot)
    got = struct.unpack(records.EVENT_FORMAT, slot)
    assert got[:8] == (records.MARK, records.LAYOUT, 7, 77, 123456789012, 5, 3, 9)
    assert got[8:16] == (2, 0, 0, 1, 2, 3, 4, 1700000000123)
    assert got[16].rstrip(b"\0") == b"pump strainer cleaned"


def test_any_flipped_bit_shows():
    slot = _event()
    records.seal_record(slot, 1)
    for bit in range(0, records.RECORD_BYTES * 8):
        slot[bit >> 3] ^= 1 << (bit & 7)
        assert not records.record_ok(slot), bit
        slot[bit >> 3] ^= 1 << (bit & 7)
    assert records.record_ok(slot)


def test_long_text_is_cut_at_a_character():
    slot = _event("é" * 60)
    text = struct.unpack(records.EVENT_FORMAT, slot)[16]
    assert text == ("é" * 44).encode()
    slot = _event("x" + "é" * 60)
    text = struct.unpack(records.EVENT_FORMAT, slot)[16].rstrip(b"\0")
    assert text == ("x" + "é" * 43).encode()


def test_one_crc_over_the_segment_checks_all_of_it():
    block = bytearray(records.SEGMENT_BYTES)
    records.pack_header(block, 3, b"deviceid", 0xDEADBEEF, 12, 300, bytes(range(32)))
    assert records.header_ok(block[: records.HEADER_BYTES])
    for k in range(records.SLOTS):
        slot = _event("record %d" % k)
        records.seal_record(slot, 300 + k)
        at = records.HEADER_BYTES + k * records.RECORD_BYTES
        block[at : at + records.RECORD_BYTES] = slot
    assert crc32(block) == records.CRC_CARRY
    for at in (4, 70, 1000, 4095):
        block[at] ^= 0x10
        assert crc32(block) != records.CRC_CARRY
        block[at] ^= 0x10


def test_a_header_of_another_layout_or_magic_is_refused():
    block = bytearray(records.HEADER_BYTES)
    records.pack_header(block, 1, b"deviceid", 1, 1, 0, bytes(32))
    for at, value in ((0, 0x53 ^ 1), (4, records.LAYOUT + 1)):
        other = bytearray(block)
        other[at] = value
        struct.pack_into("<I", other, records.HEADER_BYTES - 4, crc32(other[: records.HEADER_BYTES - 4]))
        assert not records.header_ok(other)
