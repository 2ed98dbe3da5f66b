"""Flash that rots: bits of a sealed segment turned over, one at a time and in bursts.

What must hold:

1. Every single-bit flip in a sealed segment is reported at its place: the segment, and the slot if it is in a
   record.
2. All records but the one that was hit are read, unchanged, before and after it.
3. The chain names the segment.
4. The same for bursts of 2 to 32 bits, the first and last of which flip and those between at random, wherever
   they fall. (CRC-32 sees all bursts of up to 32 bits: W. W. Peterson and D. T. Brown, Cyclic Codes for Error
   Detection, Proc. IRE 49, 1961.)
5. What is lost is counted, and the moments between which it was written hold the true one.

`SKIDWRIGHT_SEED` repeats a run of bursts.
"""

import os
import random

import numpy as np
import pytest
import synthetic_log as sl
from skidboard import records
from skidwright.log import blocks, damage, dataset
from skidwright.samples.assessment import Assessment

SEGMENT, HEAD, SLOT = records.SEGMENT_BYTES, records.HEADER_BYTES, records.RECORD_BYTES
BITS = SEGMENT * 8
BURSTS = 2000
HIT = 1  # the second of three segments, sealed: the third bears its digest


@pytest.fixture(scope="module")
def log():
    return sl.good_log(3 * records.SLOTS)


def rows_of(data):
    return {int(r["seq"]): r.tobytes() for rows in (data.samples, data.events) for r in rows}


def slots_of(bits):
    """The slots of a segment that flipped bits lie in, -1 for the header."""
    return {(bit // 8 - HEAD) // SLOT if bit // 8 >= HEAD else -1 for bit in bits}


class Expected:
    """What must be found when some bits of the second segment are turned."""

    def __init__(self, log):
        self.log = log
        self.raw = bytearray(log)
        self.places = np.arange(3 * records.SLOTS)
        whole = dataset.decode(log, sl.DEVICE, sl.LOG)
        self.rows = rows_of(whole)
        self.place_rows = {
            int(p): r.tobytes() for p, r in zip(whole.sample_place, whole.samples, strict=True)
        }
        self.event_rows = [r.tobytes() for r in whole.events]

    def check(self, bits):
        """Flip, decode, compare, flip back."""
        for bit in bits:
            self.raw[HIT * SEGMENT + bit // 8] ^= 1 << bit % 8
        data = dataset.decode(self.raw, sl.DEVICE, sl.LOG)
        hit = slots_of(bits)
        found = {(f.segment, f.slot) for f in data.report.findings if f.kind in DAMAGE}
        assert found == {(HIT, slot) for slot in hit}, (bits, data.report.findings)
        lost = {HIT * records.SLOTS + slot for slot in hit if slot >= 0}
        kept = dict(zip(data.sample_place.tolist(), data.samples, strict=True))
        assert kept.keys() == self.place_rows.keys() - lost
        # As one stretch of bytes: all records that are left are as they were.
        assert data.samples.tobytes() == b"".join(self.place_rows[p] for p in sorted(kept))
        assert [r.tobytes() for r in data.events] == self.event_rows
        inside = [slot for slot in hit if slot >= 0]
        assert data.report.missing_records == len(inside)
        for bit in bits:
            self.raw[HIT * SEGMENT + bit // 8] ^= 1 << bit % 8

    def check_chain(self, bits):
        """The chain names the segment; a damaged header can be made anew, and proves to have been right."""
        for bit in bits:
            self.raw[HIT * SEGMENT + bit // 8] ^= 1 << bit % 8
        result = dataset.chain_of(blocks.Source(bytes(self.raw)))
        if slots_of(bits) == {-1}:
            assert (result.links, result.untried) == (2, 1) and result.ok
        else:
            assert result.broken_segments == {HIT} and result.links == (0 if -1 in slots_of(bits) else 1)
        for bit in bits:
            self.raw[HIT * SEGMENT + bit // 8] ^= 1 << bit % 8


DAMAGE = (damage.DAMAGED_RECORD, damage.DAMAGED_HEADER)


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_every_single_flip_is_placed_and_costs_one_record_at_most(log, capsys):
    expected = Expected(log)
    tried = 0
    for bit in range(BITS):
        expected.check([bit])
        tried += 1
        if bit % 97 == 0:
            expected.check_chain([bit])
    assert tried == 32768 and expected.raw == log
    with capsys.disabled():
        print(f"\n{tried} single-bit flips, each placed", end=" ")


@pytest.mark.timeout(600)
def test_bursts(log, capsys):
    seed = int(os.environ.get("SKIDWRIGHT_SEED", random.SystemRandom().randrange(1 << 32)))
    chance = random.Random(seed)
    expected = Expected(log)
    try:
        for i in range(BURSTS):
            length = chance.randint(2, 32)
            first = chance.randrange(BITS - length)
            inner = [first + k for k in range(1, length - 1) if chance.random() < 0.5]
            bits = [first, *inner, first + length - 1]
            expected.check(bits)
            if i % 20 == 0:
                expected.check_chain(bits)
    finally:
        with capsys.disabled():
            print(f"\n{BURSTS} bursts of up to 32 bits, seed {seed}", end=" ")


def test_a_loss_is_counted_and_placed_in_time(log, tmp_path):
    path = tmp_path / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir()
    whole = dataset.decode(log, sl.DEVICE, sl.LOG)
    true_ms = {int(s["seq"]): sl.START_UTC_MS + int(s["uptime_ms"]) for s in whole.samples}
    path.write_bytes(log)
    assert Assessment(path).losses == []
    raw = bytearray(log)
    for slot in (4, 9, 10, 27):
        raw[SEGMENT + HEAD + slot * SLOT + 50] ^= 0x10
    raw[2 * SEGMENT + HEAD + 50] ^= 0x10
    path.write_bytes(raw)
    found = Assessment(path).losses
    # Slot 27 and the first slot behind it follow each other: one stretch across two segments.
    assert [(loss.first_seq, loss.last_seq, loss.count) for loss in found] == [
        (32, 32, 1),
        (37, 38, 2),
        (55, 56, 2),
    ]
    for loss in found:
        for seq in range(loss.first_seq, loss.last_seq + 1):
            assert loss.earliest_utc_ms < true_ms[seq] < loss.latest_utc_ms
        # no wider than the records around it, and the uncertainty of their times (20 ppm or so of a day)
        around = true_ms[loss.last_seq + 1] - true_ms[loss.first_seq - 1]
        assert loss.latest_utc_ms - loss.earliest_utc_ms < around + 120_000
    assert str(found[1]).startswith("2 lost: records 37 to 38, written between 2026-01-01T")
