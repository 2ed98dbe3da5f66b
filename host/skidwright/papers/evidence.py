"""The bytes a paper rests on: the segments of the log that hold its samples, with their SHA-256.

A segment is taken up to and including the last of those samples, so that the digest stays the same while the
board goes on filling the open one.
"""

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from skidboard import records

from skidwright.log.blocks import SEGMENT, Source, aligned_runs, header_view, headers_ok, slot_view

_AT_A_TIME = 256


@dataclass(frozen=True)
class SegmentDigest:
    """One segment of a log: its number, how many of its bytes, and their SHA-256 in hexadecimal."""

    segment: int
    bytes: int
    sha256: str


def of_samples(path: Path, seqs: Iterable[int]) -> tuple[SegmentDigest, ...]:
    """The segments of the log at `path` in which those records stand, in the order of the file.

    Raises OSError when it cannot be read, ValueError when a record is not in a sound segment.
    """
    wanted = np.array(sorted(set(seqs)), np.uint32)
    found: list[SegmentDigest] = []
    seen: set[int] = set()
    for number, block in _segments(path):
        whole = np.zeros((1, SEGMENT), np.uint8)
        whole[0, : len(block)] = np.frombuffer(block, np.uint8)
        here = np.isin(slot_view(whole)[0]["seq"], wanted)
        here &= np.array([records.record_ok(_slot(whole, k)) for k in range(records.SLOTS)])
        if here.any():
            end = records.HEADER_BYTES + (int(np.flatnonzero(here)[-1]) + 1) * records.RECORD_BYTES
            found.append(SegmentDigest(number, end, hashlib.sha256(block[:end]).hexdigest()))
            seen.update(slot_view(whole)[0]["seq"][here].tolist())
    missing = set(wanted.tolist()) - seen
    if missing:
        raise ValueError(f"record {min(missing)} is in no sound segment of {path}")
    return tuple(found)


def check(path: Path, digests: Iterable[SegmentDigest]) -> list[str]:
    """What of `digests` the log at `path` does not bear out, a line each. Raises OSError."""
    wanted = {digest.segment: digest for digest in digests}
    wrong = []
    for number, block in _segments(path):
        digest = wanted.get(number)
        if digest is None:
            continue
        if hashlib.sha256(block[: digest.bytes]).hexdigest() != digest.sha256:
            wrong.append(f"segment {number} of the log is not what it was when the paper was issued")
        del wanted[number]
    return wrong + [f"segment {number} is not in the log" for number in wanted]


def _segments(path: Path) -> Iterable[tuple[int, bytes]]:
    """Number and bytes of each segment with a sound header; the first one of each number."""
    told = set()
    with path.open("rb") as file:
        for _, raw, is_log in aligned_runs(Source(file), _AT_A_TIME * SEGMENT):
            if not is_log:
                continue
            padded = np.full(len(raw) + -len(raw) % SEGMENT, records.ERASED, np.uint8)
            padded[: len(raw)] = raw
            blocks = padded.reshape(-1, SEGMENT)
            numbers = header_view(blocks)["segment"].tolist()
            for place, sound in enumerate(headers_ok(padded.data).tolist()):
                if sound and numbers[place] not in told:
                    told.add(numbers[place])
                    yield numbers[place], raw[place * SEGMENT : (place + 1) * SEGMENT].tobytes()


def _slot(whole: "np.ndarray[tuple[int, int], np.dtype[np.uint8]]", slot: int) -> bytes:
    start = records.HEADER_BYTES + slot * records.RECORD_BYTES
    return whole[0, start : start + records.RECORD_BYTES].tobytes()
