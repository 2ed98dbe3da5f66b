"""Recovers segments from raw flash after its file system was lost: they say themselves what they are.

A segment lies at the start of a flash block, or, while it holds a few records only, somewhere inside a block
of the file system's own. LittleFS moves a segment whenever it grows, so older copies of it may lie about as
well: the longest is taken, and a record that is damaged in it from an older copy where that one is good.
Where two copies contradict each other, the one whose digest the next segment bears is the true one.
"""

from __future__ import annotations

import errno
import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from skidboard import records

from skidwright.archive.folder import Archive
from skidwright.errors import SalvageError
from skidwright.log.segment_check import Header, parse_header, segment_digest
from skidwright.whole_file import read_at_most

_HEAD, _SLOT, _SEGMENT = records.HEADER_BYTES, records.RECORD_BYTES, records.SEGMENT_BYTES
MAX_IMAGE_BYTES = 64 << 20


@dataclass(frozen=True)
class Copy:
    """A segment as it was found at byte `offset`: header and slots up to the last good record."""

    offset: int
    header: Header
    block: bytes
    good: int

    @property
    def damaged(self) -> int:
        """Slots before the last good record that hold none."""
        return (len(self.block) - _HEAD) // _SLOT - self.good


@dataclass
class SalvagedLog:
    """One log of one device. `proven` of its segments are those whose digest the next one bears.

    `not_proven` lists the numbers of the others: the last one before each gap, an older copy, or a link by a
    key that was not given. `contradicted` counts copies left out because they differ in a record.
    """

    device: str
    log: str
    first: int = 0
    last: int = 0
    segments: int = 0
    missing: int = 0
    records: int = 0
    damaged: int = 0
    copies: int = 0
    contradicted: int = 0
    proven: int = 0
    not_proven: list[int] = field(default_factory=list)


def read_image(path: Path) -> bytes:
    """The bytes of a file of raw flash. Raises SalvageError for more than any board has, OSError."""
    try:
        return read_at_most(path, MAX_IMAGE_BYTES)
    except OSError as error:
        if error.errno != errno.EFBIG:
            raise
        remedy = "name an image of its flash"
        raise SalvageError("too large for the flash of a board", str(path), remedy) from None


def copies(image: bytes) -> Iterator[Copy]:
    """Every copy of a segment in the bytes of a flash, wherever it begins."""
    at = image.find(records.MAGIC)
    while at >= 0:
        header = parse_header(image[at : at + _HEAD])
        if header is not None:
            end, good = _slots(image, at, header.first_seq)
            yield Copy(at, header, image[at:end], good)
        at = image.find(records.MAGIC, at + 1)


def _slots(image: bytes | bytearray, at: int, first_seq: int) -> tuple[int, int]:
    """(where the last good record ends, how many good ones) of the segment at `at`."""
    end, good = at + _HEAD, 0
    for k in range(records.SLOTS):
        start = at + _HEAD + k * _SLOT
        slot = bytes(image[start : start + _SLOT])
        if _good(slot, first_seq + k):
            end, good = start + _SLOT, good + 1
    return end, good


def _good(slot: bytes, seq: int) -> bool:
    if len(slot) != _SLOT or not records.record_ok(slot):
        return False
    return bool(struct.unpack_from("<I", slot, 4)[0] == seq & 0xFFFFFFFF)


def _agree(one: Copy, other: Copy) -> bool:
    """Whether every record that is good in both is the same in both."""
    for start in range(_HEAD, min(len(one.block), len(other.block)), _SLOT):
        a, b = one.block[start : start + _SLOT], other.block[start : start + _SLOT]
        if a != b and records.record_ok(a) and records.record_ok(b):
            return False
    return one.header == other.header


def _best(found: list[Copy], after: list[Copy], key: bytes | None) -> Copy:
    """Of several copies of a segment the one to keep: proven by a digest in one of `after`, else the longest.

    `after` are the copies of the segment behind it.
    """
    ranked = sorted(found, key=lambda copy: (len(copy.block), copy.good), reverse=True)
    candidates = [_merged(copy, found) for copy in ranked]
    for copy in candidates:
        if any(_follows(copy, next_one, key) for next_one in after):
            return copy
    return candidates[0]


def _merged(best: Copy, found: list[Copy]) -> Copy:
    """A copy of a segment, its damaged slots filled from others that agree with it."""
    if not best.damaged:
        return best
    block = bytearray(best.block)
    for copy in found:
        if not _agree(best, copy):
            continue
        for start in range(_HEAD, min(len(block), len(copy.block)), _SLOT):
            mine, other = block[start : start + _SLOT], copy.block[start : start + _SLOT]
            seq = best.header.first_seq + (start - _HEAD) // _SLOT
            if not _good(bytes(mine), seq) and _good(other, seq):
                block[start : start + _SLOT] = other
    return Copy(best.offset, best.header, bytes(block), _slots(block, 0, best.header.first_seq)[1])


def salvage(image: bytes, archive: Archive, key: bytes | None = None) -> list[SalvagedLog]:
    """Write every log that can be recovered from `image` into `archive`, and say what each holds.

    Nothing is written for segments without a good record. Raises ArchiveError.
    """
    logs: dict[tuple[str, str], dict[int, list[Copy]]] = {}
    for copy in copies(image):
        if copy.good:
            log = logs.setdefault((copy.header.device, copy.header.log), {})
            log.setdefault(copy.header.segment, []).append(copy)
    return [_write(device, log, found, archive, key) for (device, log), found in sorted(logs.items())]


def _write(
    device: str, log: str, found: dict[int, list[Copy]], archive: Archive, key: bytes | None
) -> SalvagedLog:
    numbers = sorted(found)
    result = SalvagedLog(device, log, numbers[0], numbers[-1], len(numbers))
    result.missing = numbers[-1] - numbers[0] + 1 - len(numbers)
    with archive.writer(device, log) as writer:
        before: Copy | None = None
        for number in numbers:
            best = _best(found[number], found.get(number + 1, []), key)
            result.copies += len(found[number])
            result.contradicted += sum(not _agree(best, copy) for copy in found[number])
            result.records += best.good
            result.damaged += best.damaged
            if before is not None:
                _prove(result, before, best, key)
            writer.append(best.block, sealed=number != numbers[-1] or len(best.block) == _SEGMENT)
            before = best
        writer.sync()
    result.not_proven.append(numbers[-1])
    return result


def _prove(result: SalvagedLog, before: Copy, after: Copy, key: bytes | None) -> None:
    if _follows(before, after, key):
        result.proven += 1
    else:
        result.not_proven.append(before.header.segment)


def _follows(before: Copy, after: Copy, key: bytes | None) -> bool:
    """Whether `after` is the segment behind `before` and bears its digest."""
    with_key = key if after.header.chain == records.CHAIN_HMAC else None
    return (
        after.header.segment == before.header.segment + 1
        and not (after.header.chain == records.CHAIN_HMAC and key is None)
        and after.header.previous_digest == segment_digest(before.block, with_key)
    )
