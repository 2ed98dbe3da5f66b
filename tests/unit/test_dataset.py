"""Decoding: every field against `struct`, every CRC against zlib, every kind of damage found and placed."""

import struct
import zlib

import numpy as np
import pytest
import synthetic_log as sl
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from skidboard import records
from skidwright.log import blocks, damage, dataset, layouts

SEGMENT = records.SEGMENT_BYTES
RECORD = records.RECORD_BYTES


@pytest.fixture(scope="module")
def log():
    return sl.good_log(200, contact_every=37)


def record_at(log, segment, slot):
    at = segment * SEGMENT + records.HEADER_BYTES + slot * RECORD
    return log[at : at + RECORD]


def test_dtypes_have_the_layout_of_struct():
    for fields, dtype in (
        (records.HEADER_FIELDS, layouts.HEADER),
        (records.SAMPLE_FIELDS, layouts.SAMPLE),
        (records.EVENT_FIELDS, layouts.EVENT),
    ):
        assert dtype.itemsize == struct.calcsize(records.struct_format(fields))
        offset = 0
        for name, form in fields:
            assert dtype.fields[name][1] == offset
            offset += struct.calcsize("<" + form)


def flat(value):
    return list(value) if isinstance(value, np.ndarray) else [value]


def test_every_field_equals_struct_record_by_record(log):
    data = dataset.decode(log)
    assert len(data) + len(data.events) == 200
    for rows, fields, segments, slots in (
        (data.samples, records.SAMPLE_FIELDS, data.sample_segment, data.sample_slot),
        (data.events, records.EVENT_FIELDS, data.event_segment, data.event_slot),
    ):
        for i, row in enumerate(rows):
            expected = struct.unpack(records.struct_format(fields), record_at(log, segments[i], slots[i]))
            found = [v for name, _ in fields for v in flat(row[name])]
            for a, b in zip(found, expected, strict=True):
                assert a == (b.rstrip(b"\0") if isinstance(b, bytes) else b)


def test_good_log_has_no_finding(log):
    report = dataset.decode(log, sl.DEVICE, sl.LOG).report
    assert report.ok, report.findings
    assert (report.records, report.segments, report.bytes_read) == (200, 8, len(log))


def test_the_sum_over_a_segment_is_the_carry_value_exactly_when_all_records_are_good(log):
    """The one-pass CRC against zlib over each record by itself."""
    for start in range(0, len(log), SEGMENT):
        segment = log[start : start + SEGMENT]
        assert zlib.crc32(segment) == records.CRC_CARRY
        for at in range(records.HEADER_BYTES, len(segment), RECORD):
            body, crc = segment[at : at + RECORD - 4], segment[at + RECORD - 4 : at + RECORD]
            assert zlib.crc32(body, 0x2144DF1C).to_bytes(4, "little") == crc


def test_crc32_check_value():
    # The check value of CRC-32 (R. Williams, "A painless guide to CRC error detection").
    assert zlib.crc32(b"123456789") == 0xCBF43926


@given(st.integers(0, 200 * RECORD), st.integers(0, 7))
@hypothesis_settings(max_examples=150, deadline=None)
def test_any_flipped_bit_is_found_and_placed(log, where, bit):
    where %= len(log)
    damaged = bytearray(log)
    damaged[where] ^= 1 << bit
    report = dataset.decode(bytes(damaged), sl.DEVICE, sl.LOG).report
    segment, at = divmod(where, SEGMENT)
    if at < records.HEADER_BYTES:
        kinds = {damage.DAMAGED_HEADER, damage.UNKNOWN_LAYOUT}
        assert any(f.kind in kinds and f.offset == segment * SEGMENT for f in report.findings)
        assert report.records == 200, "a damaged header costs no record"
    else:
        slot = (at - records.HEADER_BYTES) // RECORD
        assert report.damaged_records == 1
        assert [(f.segment, f.slot) for f in report.findings if f.kind == damage.DAMAGED_RECORD] == [
            (segment, slot)
        ]
        assert report.records == 199


def test_a_damaged_record_is_not_read_and_its_neighbours_are(log):
    damaged = bytearray(log)
    at = 2 * SEGMENT + records.HEADER_BYTES + 5 * RECORD
    damaged[at + 40] ^= 0x10
    data = dataset.decode(bytes(damaged))
    good = dataset.decode(log)
    lost = struct.unpack_from("<I", log, at + 4)[0]
    assert set(good.samples["seq"]) - set(data.samples["seq"]) == {lost}
    gap = [f for f in data.report.findings if f.kind == damage.GAP]
    assert [(f.segment, f.slot, f.count) for f in gap] == [(2, 6, 1)]
    assert data.marks[data.samples["seq"] == lost + 1] == dataset.GAP_BEFORE


def test_damaged_header_marks_its_samples(log):
    damaged = bytearray(log)
    damaged[3 * SEGMENT + 20] ^= 1
    data = dataset.decode(bytes(damaged), sl.DEVICE, sl.LOG)
    marked = data.sample_segment[(data.marks & dataset.HEADER_DAMAGED) != 0]
    assert set(marked) == {3} and len(marked) >= 27


def test_removed_segment_is_a_gap(log):
    cut = log[: 2 * SEGMENT] + log[3 * SEGMENT :]
    report = dataset.decode(cut).report
    assert report.missing_records == records.SLOTS
    assert report.totals[damage.SEGMENT_GAP] == 1


def test_repeated_segment_is_told_and_marked(log):
    twice = log[: 2 * SEGMENT] + log[SEGMENT : 2 * SEGMENT] + log[2 * SEGMENT :]
    data = dataset.decode(twice)
    assert data.report.totals[damage.REPEATED] == records.SLOTS + 1
    assert ((data.marks & dataset.REPEATED) != 0).sum() == (data.sample_place // records.SLOTS == 2).sum()


def test_foreign_segment_is_told_and_marked(log):
    other = sl.log_bytes(sl.samples(28, first_seq=5), device=bytes(8), log=7, first_segment=2)
    mixed = log[: 2 * SEGMENT] + other + log[3 * SEGMENT :]
    data = dataset.decode(mixed, sl.DEVICE, sl.LOG)
    assert data.report.totals[damage.FOREIGN_SEGMENT] == 1
    assert ((data.marks & dataset.FOREIGN) != 0).sum() == 28


def test_bytes_between_segments_are_skipped_and_placed(log):
    shifted = log[: 2 * SEGMENT] + b"noise" * 11 + log[2 * SEGMENT :]
    data = dataset.decode(shifted)
    assert [(f.offset, f.detail) for f in data.report.findings if f.kind == damage.FOREIGN_BYTES] == [
        (2 * SEGMENT, "55 bytes")
    ]
    assert data.report.records == 200


def test_a_wiped_segment_is_foreign_bytes(log):
    wiped = bytearray(log)
    wiped[SEGMENT : 2 * SEGMENT] = b"\xff" * SEGMENT
    report = dataset.decode(bytes(wiped)).report
    assert report.totals[damage.FOREIGN_BYTES] == 1
    assert report.missing_records == records.SLOTS


@pytest.mark.parametrize("cut", [1, 60, 143, 144, 145, 3 * 144 + 3])
def test_short_open_segment(log, cut):
    short = log[:-cut]
    report = dataset.decode(short).report
    whole, torn = divmod(cut, RECORD)
    assert report.records == 200 - whole - bool(torn)
    assert report.totals[damage.TRAILING_BYTES] == bool(torn)


def test_segment_closed_early_is_padded():
    first = sl.log_bytes(sl.samples(11))
    padded = first + b"\xff" * (SEGMENT - len(first))
    second = sl.log_bytes(sl.samples(30, first_seq=11), first_segment=1)
    data = dataset.decode(padded + second)
    assert data.report.ok, data.report.findings
    assert data.samples["seq"].tolist() == list(range(41))


def test_empty_and_nonsense():
    assert len(dataset.decode(b"")) == 0
    assert dataset.decode(b"").report.ok
    data = dataset.decode(b"this is no log at all" * 500)
    assert len(data) == 0 and not data.report.ok


def test_reading_in_pieces_gives_the_same(log, tmp_path):
    path = tmp_path / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir()
    damaged = bytearray(log)
    damaged[1000] ^= 1
    damaged[5 * SEGMENT + 9] ^= 1
    path.write_bytes(damaged)
    whole = dataset.decode(bytes(damaged), sl.DEVICE, sl.LOG)
    for segments in (1, 2, 3, 100):
        pieces = list(dataset.read_log(path, segments=segments))
        joined = dataset.join(pieces)
        in_memory = dataset.join(list(dataset.decode_in_pieces(bytes(damaged), segments=segments)))
        assert np.array_equal(in_memory.samples, whole.samples)
        assert np.array_equal(joined.samples, whole.samples)
        assert np.array_equal(joined.events, whole.events)
        for name in ("sample_place", "event_place", "marks", "sample_segment", "event_slot"):
            assert np.array_equal(getattr(joined, name), getattr(whole, name)), name
        assert sorted(map(str, joined.report.findings)) == sorted(map(str, whole.report.findings))
        assert joined.device == sl.DEVICE and joined.log == sl.LOG


def chain(log, key=None):
    return dataset.chain_of(blocks.Source(bytes(log)), key)


def test_chain_holds_over_a_good_log(log):
    result = chain(log)
    assert result.ok and result.links == 7


def test_chain_finds_an_edit_with_good_crcs(log):
    edited = bytearray(log)
    at = 3 * SEGMENT + records.HEADER_BYTES + 2 * RECORD
    slot = edited[at : at + RECORD]
    slot[60] ^= 0x40
    records.seal_record(slot, struct.unpack_from("<I", slot, 4)[0])
    edited[at : at + RECORD] = slot
    assert dataset.decode(bytes(edited)).report.ok, "the CRCs alone cannot tell"
    result = chain(edited)
    assert result.broken_segments == {3}
    data = dataset.decode(bytes(edited), chain=result)
    assert set(data.sample_segment[(data.marks & dataset.CHAIN_BROKEN) != 0]) == {3}


def test_chain_finds_a_removed_and_a_swapped_segment(log):
    renumbered = bytearray(log[: 2 * SEGMENT] + log[3 * SEGMENT :])
    for i in range(2, 7):
        header = renumbered[i * SEGMENT : i * SEGMENT + 60]
        struct.pack_into("<I", header, 20, i)
        renumbered[i * SEGMENT : i * SEGMENT + 64] = header + zlib.crc32(header).to_bytes(4, "little")
    assert chain(renumbered).broken_segments >= {1}
    assert struct.unpack_from("<I", log, 2 * SEGMENT + 20)[0] == 2, "the place of the segment number"


def test_chain_over_a_large_log_uses_every_link(tmp_path):
    path = tmp_path / "x.skidlog"
    path.write_bytes(sl.good_log(28 * 150))
    result = dataset.verify_chain(path, segments=64)
    assert result.ok and result.links == 149


def test_keyed_chain(log):
    import hashlib
    import hmac

    key, digest, out = b"k" * 32, bytes(32), b""
    for i in range(0, len(log), SEGMENT):
        segment = bytearray(log[i : i + SEGMENT])
        struct.pack_into("<B", segment, 5, records.CHAIN_HMAC)
        segment[28:60] = digest
        segment[60:64] = zlib.crc32(segment[:60]).to_bytes(4, "little")
        out += segment
        digest = hmac.new(key, bytes(segment).ljust(SEGMENT, b"\xff"), hashlib.sha256).digest()
    assert chain(out, key).links == 7
    assert chain(out).links == 0 and chain(out).untried == 8
    assert not chain(out, b"other" * 6).ok


def test_the_sum_over_many_segments_is_known_beforehand():
    log = sl.good_log(records.SLOTS * 6)
    expected = blocks.sums_of_good(6)
    for n in range(7):
        assert zlib.crc32(log[: n * SEGMENT]) == expected[n]


@pytest.mark.parametrize("every", [3, 11, 200, 10_000])
def test_samples_and_events_are_told_apart_at_any_density(every):
    log = sl.good_log(28 * 300, contact_every=every)
    data = dataset.decode(log)
    kinds = np.array([log[s * SEGMENT + 64 + k * RECORD] for s in range(300) for k in range(28)])
    assert data.report.ok
    assert np.array_equal(data.sample_place, np.flatnonzero(kinds == records.SAMPLE))
    assert np.array_equal(data.event_place, np.flatnonzero(kinds != records.SAMPLE))
    both = np.concatenate([data.samples["seq"], data.events["seq"]])
    order = np.concatenate([data.sample_place, data.event_place])
    assert np.array_equal(both[np.argsort(order)], np.arange(28 * 300))
