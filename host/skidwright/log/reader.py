"""Decodes segments: verifies records, puts samples and events into arrays, and notes what is wrong.

Records are verified by one CRC-32 over many segments together, which comes out
as a known value when all are good (`skidboard.records` sees to that; damage to
any one segment always shows). Only where it does not is each segment tried by
itself, and in a segment that fails each record.
"""

import zlib

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log import believable, damage, layouts
from skidwright.log.blocks import RAW, SEGMENT, copy_samples, header_view, headers_ok, slot_view, sums_of_good
from skidwright.log.chain import ChainResult
from skidwright.log.damage import Finding, IntegrityReport
from skidwright.log.layouts import (
    CHAIN_BROKEN,
    FOREIGN,
    GAP_BEFORE,
    HEADER_DAMAGED,
    IMPOSSIBLE,
    REPEATED,
    Dataset,
)

# 256 segments are 1 MB: they stay in the cache from the CRC to the copy.
_BATCH = 256
_STARTS = range(records.HEADER_BYTES, SEGMENT, records.RECORD_BYTES)
_SUM_OF_GOOD = sums_of_good(_BATCH)
_ERASED_RECORD = bytes([records.ERASED]) * records.RECORD_BYTES


class _Output:
    """Arrays that batches are written into, one after another."""

    def __init__(self, blocks: int) -> None:
        self.rows = np.empty(blocks * records.SLOTS, RAW)
        self.place = np.empty(blocks * records.SLOTS, np.int64)
        self.marks = np.zeros(blocks * records.SLOTS, np.uint8)
        self.segments: list[NDArray[np.int64]] = []
        self.events: list[NDArray[np.void]] = []
        self.event_place: list[NDArray[np.int64]] = []
        self.filled = 0


class LogReader:
    """Decodes consecutive runs of segments of one log and keeps what must be known from one run to the next.

    `device` (8 bytes) and `log` are those that the log should have; None takes them from the first good
    header. Samples of segments that `chain` found broken are marked.
    """

    def __init__(
        self, device: bytes | None = None, log: int | None = None, chain: ChainResult | None = None
    ) -> None:
        self.device, self.log = device, log
        self.report = IntegrityReport()
        self._broken = np.array(sorted(chain.broken_segments if chain else ()), np.int64)
        for finding in chain.findings if chain else ():
            self.report.add(finding)
        self._next_seq: int | None = None
        self._next_segment: int | None = None
        self._blocks = 0

    def note_foreign_bytes(self, offset: int, count: int) -> None:
        """Note a stretch of bytes in which there is no segment."""
        self.report.add(Finding(damage.FOREIGN_BYTES, -1, -1, offset, 1, f"{count} bytes"))

    def decode(self, raw: NDArray[np.uint8], offset: int = 0) -> Dataset:
        """Decode a run of bytes that begins at a segment; only its end may be a short segment.

        `offset` is where the run begins in the log. Damaged content raises nothing: see `report`.
        """
        whole = len(raw) // SEGMENT
        first = self._blocks
        blocks = raw[: whole * SEGMENT].reshape(whole, SEGMENT)
        out = _Output(whole + 1)
        for start in range(0, whole, _BATCH):
            self._batch(blocks[start : start + _BATCH], offset + start * SEGMENT, out)
        if len(raw) > whole * SEGMENT:
            at = whole * SEGMENT
            block = self._padded(raw[at:], offset + at)
            if len(block):
                self._batch(block, offset + at, out)
        n = out.filled
        event_rows = np.concatenate(out.events) if out.events else np.empty(0, RAW)
        self.report.bytes_read += len(raw)
        self.report.samples += n
        self.report.events += len(event_rows)
        self.report.records += n + len(event_rows)
        return Dataset(
            samples=out.rows[:n].view(layouts.SAMPLE),
            events=event_rows.view(layouts.EVENT),
            sample_place=out.place[:n],
            event_place=np.concatenate(out.event_place) if out.event_place else np.empty(0, np.int64),
            marks=out.marks[:n],
            first_block=first,
            block_segment=np.concatenate(out.segments) if out.segments else np.empty(0, np.int64),
            report=self.report,
            device=self.device,
            log=self.log,
        )

    def _batch(self, blocks: NDArray[np.uint8], offset: int, out: _Output) -> None:
        n = len(blocks)
        view = blocks.reshape(-1).data
        clean = zlib.crc32(view) == _SUM_OF_GOOD[n]
        headers = header_view(blocks)
        # where the sum over all holds, so do the headers' own
        header_good = headers_ok(view, checked=clean)
        segments = self._segment_numbers(headers, header_good, offset)
        good = None
        if not clean or not header_good.all():
            good = self._verify(view, header_good, segments, offset)

        slots = slot_view(blocks)
        good = self._of_known_layout(slots["layout"], good, segments, offset)
        wanted = slots["kind"] == records.SAMPLE
        seq = slots["seq"].reshape(-1)
        first = self._blocks * records.SLOTS
        where = np.arange(first, first + seq.size)
        if good is not None:
            wanted &= good
            keep = np.flatnonzero(good)
            seq, where = seq[keep], where[keep]
        marks = self._check_order(seq, where, segments, offset)
        marks = self._mark_segments(marks, headers, header_good, segments, where, offset)
        samples = int(np.count_nonzero(wanted))
        span = slice(out.filled, out.filled + samples)
        copy_samples(blocks, slots, wanted, out.rows[span])
        if samples != len(where):
            other = ~wanted if good is None else good & ~wanted
            events = slots.view(RAW)[other]
            layouts.renew(events, layouts.EVENT)
            out.events.append(events)
            of_samples = wanted.reshape(-1)[where - first]
            out.event_place.append(where[~of_samples])
            self._not_believed(
                believable.tame_events(events.view(layouts.EVENT)), where[~of_samples], segments, offset
            )
            where = where[of_samples]
            marks = marks[of_samples] if marks is not None else None
        layouts.renew(out.rows[span], layouts.SAMPLE)
        out.place[span] = where
        if marks is not None:
            out.marks[span] = marks
        absurd = believable.tame_samples(out.rows[span].view(layouts.SAMPLE))
        if absurd is not None:
            out.marks[span][absurd] |= IMPOSSIBLE
            self._not_believed(absurd, where, segments, offset)
        out.filled += samples
        out.segments.append(segments)
        self._blocks += n
        self.report.segments += n

    def _of_known_layout(
        self,
        layout: NDArray[np.uint8],
        good: NDArray[np.bool_] | None,
        segments: NDArray[np.int64],
        offset: int,
    ) -> NDArray[np.bool_] | None:
        """The good records without those of a layout that cannot be read, which are noted."""
        if (layout == records.LAYOUT).all():
            return good
        all_good = np.ones(layout.shape, np.bool_) if good is None else good
        strange = all_good & ~layouts.readable(layout)
        if not strange.any():
            return good
        for block, slot in np.argwhere(strange).tolist():
            at, detail = offset + block * SEGMENT + _STARTS[slot], f"layout {layout[block, slot]}"
            self.report.add(Finding(damage.UNKNOWN_LAYOUT, int(segments[block]), slot, at, 1, detail))
        return all_good & ~strange

    def _not_believed(
        self,
        wrong: NDArray[np.bool_] | None,
        where: NDArray[np.int64],
        segments: NDArray[np.int64],
        offset: int,
    ) -> None:
        """Note records that say what cannot be."""
        for at in where[wrong].tolist() if wrong is not None else ():
            block, slot = divmod(at - self._blocks * records.SLOTS, records.SLOTS)
            place = offset + block * SEGMENT + _STARTS[slot]
            self.report.add(Finding(damage.IMPOSSIBLE, int(segments[block]), slot, place))

    def _padded(self, tail: NDArray[np.uint8], offset: int) -> NDArray[np.uint8]:
        """The short open segment as one whole block; an unfinished record at its end is left out."""
        body = len(tail) - records.HEADER_BYTES
        torn = body % records.RECORD_BYTES if body >= 0 else len(tail)
        if torn:
            at = offset + len(tail) - torn
            self.report.add(Finding(damage.TRAILING_BYTES, -1, -1, at, 1, f"{torn} bytes"))
        block = np.full((1, SEGMENT), records.ERASED, np.uint8)
        block[0, : len(tail) - torn] = tail[: len(tail) - torn]
        return block if body >= 0 else block[:0]

    def _segment_numbers(
        self, headers: NDArray[np.void], good: NDArray[np.bool_], offset: int
    ) -> NDArray[np.int64]:
        """Each block's segment number, filled in from the block before where the header is damaged."""
        numbers = headers["segment"].astype(np.int64)
        if self._next_segment is not None and good.all():
            running_on = np.arange(self._next_segment, self._next_segment + len(numbers))
            if np.array_equal(numbers, running_on):
                self._next_segment += len(numbers)
                return numbers
        for i in np.flatnonzero(~good).tolist():
            before = int(numbers[i - 1]) if i else (self._next_segment or 0) - 1
            numbers[i] = before + 1 if before >= 0 else -1
            where = offset + i * SEGMENT
            header = headers[i].tobytes()
            other = header[:4] == records.MAGIC and zlib.crc32(header) == records.CRC_CARRY
            kind = damage.UNKNOWN_LAYOUT if other else damage.DAMAGED_HEADER
            detail = f"layout {header[4]}" if other else ""
            self.report.add(Finding(kind, int(numbers[i]), -1, where, 1, detail))
        expected = np.empty_like(numbers)
        expected[0] = numbers[0] if self._next_segment is None else self._next_segment
        expected[1:] = numbers[:-1] + 1
        for i in np.flatnonzero(numbers != expected).tolist():
            missing = int(numbers[i] - expected[i])
            kind = damage.SEGMENT_GAP if missing > 0 else damage.REPEATED
            detail = f"{missing} before it" if missing > 0 else "it stands after a later segment"
            self.report.add(Finding(kind, int(numbers[i]), -1, offset + i * SEGMENT, 1, detail))
        self._next_segment = int(numbers[-1]) + 1
        return numbers

    def _verify(
        self, view: memoryview, header_good: NDArray[np.bool_], segments: NDArray[np.int64], offset: int
    ) -> NDArray[np.bool_]:
        """Which slots hold a good record, (n, 28)."""
        good = np.ones((len(segments), records.SLOTS), np.bool_)
        for i, segment in enumerate(segments.tolist()):
            block = view[i * SEGMENT : (i + 1) * SEGMENT]
            if not header_good[i] or zlib.crc32(block) != records.CRC_CARRY:
                good[i] = self._verify_segment(block, bool(header_good[i]), segment, offset + i * SEGMENT)
        return good

    def _verify_segment(self, block: memoryview, header_good: bool, segment: int, offset: int) -> list[bool]:
        used = len(_STARTS)
        while used and block[_STARTS[used - 1] : _STARTS[used - 1] + records.RECORD_BYTES] == _ERASED_RECORD:
            used -= 1
        whole = records.HEADER_BYTES + used * records.RECORD_BYTES
        if header_good and zlib.crc32(block[:whole]) == records.CRC_CARRY:
            return [k < used for k in range(len(_STARTS))]
        good = [records.record_ok(block[at : at + records.RECORD_BYTES]) for at in _STARTS]
        if not header_good and not any(good):
            self.report.add(Finding(damage.FOREIGN_BYTES, segment, -1, offset, 1, f"{SEGMENT} bytes"))
            return good
        for k in range(used):
            if not good[k]:
                self.report.add(Finding(damage.DAMAGED_RECORD, segment, k, offset + _STARTS[k]))
        return good

    def _check_order(
        self, seq: NDArray[np.uint32], where: NDArray[np.int64], segments: NDArray[np.int64], offset: int
    ) -> NDArray[np.uint8] | None:
        """Marks for records after a gap or out of order; None when the numbers run on."""
        if not len(seq):
            return None
        first = int(seq[0]) if self._next_seq is None else self._next_seq
        if np.array_equal(seq, np.arange(first, first + len(seq))):
            self._next_seq = first + len(seq)
            return None
        numbers = seq.astype(np.int64)
        highest = np.maximum.accumulate(np.concatenate(([first - 1], numbers)))
        missing = numbers - highest[:-1] - 1
        marks = np.zeros(len(seq), np.uint8)
        marks[missing > 0] = GAP_BEFORE
        marks[missing < 0] = REPEATED
        for i in np.flatnonzero(missing).tolist():
            block, slot = divmod(int(where[i]) - self._blocks * records.SLOTS, records.SLOTS)
            at = offset + block * SEGMENT + _STARTS[slot]
            if missing[i] > 0:
                kind, count, detail = (
                    damage.GAP,
                    int(missing[i]),
                    f"{missing[i]} before number {numbers[i]}",
                )
            else:
                kind, count, detail = damage.REPEATED, 1, f"number {numbers[i]}"
            self.report.add(Finding(kind, int(segments[block]), slot, at, count, detail))
        self._next_seq = int(highest[-1]) + 1
        return marks

    def _mark_segments(
        self,
        marks: NDArray[np.uint8] | None,
        headers: NDArray[np.void],
        good: NDArray[np.bool_],
        segments: NDArray[np.int64],
        where: NDArray[np.int64],
        offset: int,
    ) -> NDArray[np.uint8] | None:
        """Marks that hold for whole segments: damaged header, another owner, broken chain."""
        if good.any():
            first = int(np.argmax(good))
            if self.device is None:
                self.device = headers["device"][first].tobytes()
            if self.log is None:
                self.log = int(headers["log"][first])
        device = int.from_bytes(self.device or b"", "little")
        own = (headers["device"].view("<u8") == device) & (headers["log"] == (self.log or 0))
        if own.all() and good.all() and not len(self._broken):
            return marks
        bits = np.where(good, 0, HEADER_DAMAGED).astype(np.uint8)
        if self.device is not None and self.log is not None:
            other = good & ~own
            bits[other] |= FOREIGN
            for i in np.flatnonzero(other).tolist():
                detail = f"device {headers['device'][i].tobytes().hex()} log {int(headers['log'][i]):08x}"
                self.report.add(
                    Finding(damage.FOREIGN_SEGMENT, int(segments[i]), -1, offset + i * SEGMENT, 1, detail)
                )
        if len(self._broken):
            bits[np.isin(segments, self._broken)] |= CHAIN_BROKEN
        if not bits.any():
            return marks
        if marks is None:
            marks = np.zeros(len(where), np.uint8)
        marks |= bits[where // records.SLOTS - self._blocks]
        return marks
