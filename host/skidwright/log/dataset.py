"""The archive's bytes as numpy arrays: samples, events, where each stood, and what is damaged.

`decode` takes a log that is in memory, `read_log` a file of any size piece by
piece, `verify_chain` proves that no segment was changed, removed or reordered.
"""

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from skidboard import records

from skidwright.log import seal
from skidwright.log.blocks import SEGMENT, Source, aligned_runs, header_view, headers_ok
from skidwright.log.chain import ChainResult, ChainVerifier
from skidwright.log.decoded import CHAIN_BROKEN, FOREIGN, GAP_BEFORE, HEADER_DAMAGED, REPEATED, Dataset
from skidwright.log.reader import LogReader

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
