"""Segments in bytes: views of them, and reading a log piece by piece, back in step after foreign bytes."""

import zlib
from collections.abc import Iterator
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log import layouts

SEGMENT = records.SEGMENT_BYTES
# A slot as plain bytes: numpy copies structured rows field by field, these at once.
RAW = np.dtype(f"V{records.RECORD_BYTES}")
_MAGIC = np.frombuffer(records.MAGIC, "<u4")[0]
# magic and layout together, as the first five bytes of a header
_START_MASK = np.uint64(0xFF_FFFF_FFFF)


class Source:
    """Bytes to be read from any place: a buffer in memory (never copied) or an open file."""

    def __init__(self, origin: bytes | bytearray | memoryview | BinaryIO) -> None:
        self._memory: NDArray[np.uint8] | None = None
        self._file: BinaryIO | None = None
        if isinstance(origin, (bytes, bytearray, memoryview)):
            self._memory = np.frombuffer(origin, np.uint8)
        else:
            self._file = origin

    def read(self, offset: int, size: int) -> NDArray[np.uint8]:
        """Up to `size` bytes from `offset`, fewer only at the end. Raises OSError when the file fails."""
        if self._memory is not None:
            return self._memory[offset : offset + size]
        assert self._file is not None
        self._file.seek(offset)
        return np.frombuffer(self._file.read(size), np.uint8)


def header_view(blocks: NDArray[np.uint8]) -> NDArray[np.void]:
    """The headers of (n, 4096) contiguous blocks as a structured array, without copying."""
    return np.ndarray((len(blocks),), layouts.HEADER, blocks, 0, (SEGMENT,))


def slot_view(blocks: NDArray[np.uint8]) -> NDArray[np.void]:
    """The slots of (n, 4096) contiguous blocks as an (n, 28) array of samples, without copying."""
    strides = (SEGMENT, records.RECORD_BYTES)
    return np.ndarray((len(blocks), records.SLOTS), layouts.SAMPLE, blocks, records.HEADER_BYTES, strides)


def headers_ok(view: memoryview, checked: bool = False) -> NDArray[np.bool_]:
    """Which of the segments in `view` have a header with the magic, a known layout and a good CRC.

    With `checked` the CRCs are known to be good.
    """
    start = np.ndarray((len(view) // SEGMENT,), "<u8", view, 0, (SEGMENT,))
    known = [int.from_bytes(records.MAGIC + bytes([layout]), "little") for layout in records.LAYOUTS]
    start = start & _START_MASK
    good: NDArray[np.bool_] = start == np.uint64(known[0])
    for other in known[1:]:
        good |= start == np.uint64(other)
    if not checked:
        size, crc32 = records.HEADER_BYTES, zlib.crc32
        sums = [crc32(view[at : at + size]) for at in range(0, len(view), SEGMENT)]
        good &= np.array(sums, np.uint32) == records.CRC_CARRY
    return good


def sums_of_good(most: int) -> list[int]:
    """The CRC-32 of 0, 1, 2 ... full good segments, one after the other.

    A good segment leaves CRC_CARRY when it is begun with 0. CRC-32 is linear: begun with another value,
    it leaves that and what the value becomes over as many bytes, which zero bytes show.
    """
    zeros = bytes(SEGMENT)
    sums = [0]
    while len(sums) <= most:
        sums.append(records.CRC_CARRY ^ zlib.crc32(zeros, sums[-1]) ^ zlib.crc32(zeros))
    return sums


def copy_samples(
    blocks: NDArray[np.uint8], slots: NDArray[np.void], wanted: NDArray[np.bool_], rows: NDArray[np.void]
) -> None:
    """Copy the wanted slots into `rows`: whole segments at once where all of theirs are wanted."""
    partly = np.flatnonzero(~wanted.all(axis=1)).tolist()
    raw = slots.view(RAW)
    if len(partly) > len(blocks) // 4:
        rows[:] = raw[wanted]
        return
    at = start = 0
    for i in [*partly, len(blocks)]:
        count = (i - start) * records.SLOTS
        if count:
            target = rows[at : at + count].view(np.uint8).reshape(i - start, -1)
            target[:] = blocks[start:i, records.HEADER_BYTES :]
            at += count
        if i < len(blocks):
            some = raw[i][wanted[i]]
            rows[at : at + len(some)] = some
            at += len(some)
        start = i + 1


def find_header(raw: NDArray[np.uint8], start: int) -> int:
    """Where the first good header at or after `start` begins, -1 when there is none."""
    data = raw.tobytes()
    at = data.find(records.MAGIC, start)
    while at >= 0 and not records.header_ok(data[at : at + records.HEADER_BYTES]):
        at = data.find(records.MAGIC, at + 1)
    return at


def aligned_runs(source: Source, chunk_bytes: int) -> Iterator[tuple[int, NDArray[np.uint8], bool]]:
    """Cut a source into runs `(offset, bytes, is_log)` of at most `chunk_bytes`, a multiple of 4096.

    A run with `is_log` begins at a segment and holds whole ones, a short one only at the very end. The
    others hold bytes between segments that are out of step.
    """
    position = 0
    chunk_bytes = max(chunk_bytes // SEGMENT, 1) * SEGMENT
    while True:
        raw = source.read(position, chunk_bytes)
        if not len(raw):
            return
        whole = len(raw) // SEGMENT
        magics = np.ndarray((whole,), "<u4", raw, 0, (SEGMENT,)) if whole else np.empty(0, "<u4")
        step = len(raw)
        for i in np.flatnonzero(magics != _MAGIC):
            at = find_header(raw, int(i) * SEGMENT)
            if at % SEGMENT and at >= 0:
                if i:
                    yield position, raw[: i * SEGMENT], True
                yield position + int(i) * SEGMENT, raw[i * SEGMENT : at], False
                step = at
                break
        else:
            yield position, raw, True
        position += step
