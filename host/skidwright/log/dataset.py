"""A log as arrays, read piece by piece, and the numbers that are missing in it.
The record layouts as numpy dtypes, and a log decoded into them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log import seal
from skidwright.log.blocks import SEGMENT, Source, aligned_runs, header_view, headers_ok
from skidwright.log.chain import ChainResult, ChainVerifier
from skidwright.log.layouts import CHAIN_BROKEN, FOREIGN, GAP_BEFORE, HEADER_DAMAGED, REPEATED, Dataset
from skidwright.log.reader import LogReader
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS, Timeline

__all__ = [
    "CHAIN_BROKEN",
    "FOREIGN",
    "GAP_BEFORE",
    "HEADER_DAMAGED",
    "REPEATED",
    "Dataset",
    "LogReader",
    "chain_of",
    "decode",
    "decode_in_pieces",
    "identity",
    "join",
    "read_log",
    "verify_chain",
]

CHUNK_SEGMENTS = 1024
Buffer = bytes | bytearray | memoryview
_ARRAYS = ("samples", "events", "sample_place", "event_place", "marks", "block_segment")


def decode(
    buffer: Buffer, device: bytes | None = None, log: int | None = None, chain: ChainResult | None = None
) -> Dataset:
    """Decode a whole log that is in memory.

    Give `device` (8 bytes) and `log` when the place it came from tells them; otherwise the first good
    header does. Damaged content raises nothing: see the dataset's `report`.
    """
    reader = LogReader(device, log, chain)
    return join(list(_decoded(reader, Source(buffer), len(buffer) + SEGMENT)), reader)


def decode_in_pieces(
    buffer: Buffer, chain: ChainResult | None = None, segments: int = CHUNK_SEGMENTS
) -> Iterator[Dataset]:
    """Decode a log that is in memory in pieces of at most `segments` segments, as `read_log` does a file."""
    yield from _decoded(LogReader(chain=chain), Source(buffer), segments * SEGMENT)


def read_log(
    path: Path, chain: ChainResult | None = None, segments: int = CHUNK_SEGMENTS
) -> Iterator[Dataset]:
    """Decode a `.skidlog` file in pieces of at most `segments` segments.

    Memory stays bounded whatever the size of the file. All pieces share one report, complete after the
    last. Raises OSError when the file cannot be read.
    """
    device, log = identity(path)
    with path.open("rb") as file:
        yield from _decoded(LogReader(device, log, chain), Source(file), segments * SEGMENT)


def _decoded(reader: LogReader, source: Source, chunk_bytes: int) -> Iterator[Dataset]:
    for offset, raw, is_log in aligned_runs(source, chunk_bytes):
        if is_log:
            yield reader.decode(raw, offset)
        else:
            reader.note_foreign_bytes(offset, len(raw))


def join(pieces: list[Dataset], reader: LogReader | None = None) -> Dataset:
    """One dataset of consecutive pieces of a log; an empty one, with the reader's report, of none."""
    if len(pieces) == 1:
        return pieces[0]
    if not pieces:
        return (reader or LogReader()).decode(np.empty(0, np.uint8))
    arrays = {}
    for name in _ARRAYS:
        parts = [getattr(piece, name) for piece in pieces]
        kind = parts[0].dtype
        # as plain bytes: joining structured arrays would copy field by field
        flat = [part.view(f"V{kind.itemsize}") for part in parts] if kind.names else parts
        arrays[name] = np.concatenate(flat).view(kind)
    last = pieces[-1]
    return Dataset(
        **arrays, first_block=pieces[0].first_block, report=last.report, device=last.device, log=last.log
    )


def identity(path: Path) -> tuple[bytes | None, int | None]:
    """Device and log that a path `<device 16 hex>/<log 8 hex>.skidlog` names, None where it does not."""
    try:
        device = bytes.fromhex(path.parent.name) if len(path.parent.name) == 16 else None
    except ValueError:
        device = None
    try:
        log = int(path.stem, 16) if len(path.stem) == 8 else None
    except ValueError:
        log = None
    return device, log


def verify_chain(path: Path, key: bytes | None = None, segments: int = CHUNK_SEGMENTS) -> ChainResult:
    """Check the chain of digests of a `.skidlog` file. Raises OSError when it cannot be read.

    `key` is that of a log chained by HMAC-SHA-256. The seals kept beside the file are tried too.
    """
    with path.open("rb") as file:
        return chain_of(Source(file), key, segments, seal.read(path))


def chain_of(
    source: Source, key: bytes | None = None, segments: int = CHUNK_SEGMENTS, sealed: Sequence[seal.Seal] = ()
) -> ChainResult:
    """Check the chain of digests of a log and its seals, see `verify_chain`."""
    with ChainVerifier(key, sealed=sealed) as verifier:
        for offset, raw, is_log in aligned_runs(source, segments * SEGMENT):
            if not is_log:
                continue
            short = -len(raw) % SEGMENT
            if short:
                # the open segment: nothing holds its digest yet, but it holds that of the one before
                whole = np.full(len(raw) + short, records.ERASED, np.uint8)
                whole[: len(raw)] = raw
                raw = whole
            blocks = raw.reshape(-1, SEGMENT)
            headers = header_view(blocks)
            verifier.feed(blocks, headers, headers_ok(raw.data), offset)
        return verifier.result()


@dataclass(frozen=True)
class Loss:
    """Numbers `first_seq` to `last_seq` are missing; written between two moments (UTC in ms, None unknown).

    The moments are those of the records before and after, widened by the uncertainty of their times.
    """

    first_seq: int
    last_seq: int
    earliest_utc_ms: int | None
    latest_utc_ms: int | None

    @property
    def count(self) -> int:
        """How many records are missing."""
        return self.last_seq - self.first_seq + 1

    def __str__(self) -> str:
        what = (
            f"record {self.first_seq}" if self.count == 1 else f"records {self.first_seq} to {self.last_seq}"
        )
        return (
            f"{self.count:,} lost: {what}, written between {_iso(self.earliest_utc_ms)} "
            f"and {_iso(self.latest_utc_ms)}"
        )


def _iso(utc_ms: int | None) -> str:
    return "a time not known" if utc_ms is None else f"{np.datetime64(utc_ms // 1000, 's')}Z"


class LossFinder:
    """Takes a log's pieces in order and notes each stretch of numbers that is missing between two records.

    What is missing before the first record or after the last one shows in no number.
    """

    def __init__(self) -> None:
        self._last = np.empty((0, 3), np.int64)
        self._edges: list[NDArray[np.int64]] = []  # (2, 3) each: number, boot, uptime before and after

    def add(self, piece: Dataset, complete: bool) -> None:
        """Take a piece; `complete` when no number is known to be missing in it."""
        if complete:
            ends = [rows[-1:] for rows in (piece.samples, piece.events) if len(rows)]
        else:
            ends = [rows for rows in (piece.samples, piece.events) if len(rows)]
        parts = [
            np.stack([rows[name].astype(np.int64) for name in ("seq", "boot", "uptime_ms")], axis=1)
            for rows in ends
        ]
        if not parts:
            return
        rows = np.concatenate(parts)
        rows = np.concatenate([self._last, rows[np.argsort(rows[:, 0], kind="stable")]])
        if not complete:
            for i in np.flatnonzero(np.diff(rows[:, 0]) > 1).tolist():
                self._edges.append(rows[i : i + 2])
        self._last = rows[-1:]

    def losses(self, timeline: Timeline) -> list[Loss]:
        """What is missing, in order of numbers."""
        found = []
        for edge in self._edges:
            utc_ms, error_ms = timeline.utc(edge[:, 1], edge[:, 2].astype(np.uint64))
            known = (utc_ms != UNKNOWN_UTC_MS) & (error_ms != UNBOUNDED_MS)
            found.append(
                Loss(
                    int(edge[0, 0]) + 1,
                    int(edge[1, 0]) - 1,
                    int(utc_ms[0] - error_ms[0]) if known[0] else None,
                    int(utc_ms[1] + error_ms[1]) if known[1] else None,
                )
            )
        return found
