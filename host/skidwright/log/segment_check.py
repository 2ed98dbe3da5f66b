"""What must hold for a segment before it goes into the archive, and for two that follow each other."""

from __future__ import annotations

import hashlib
import hmac
import struct
import zlib
from dataclasses import dataclass

from skidboard import records

_ERASED = bytes([records.ERASED])


@dataclass(frozen=True)
class Header:
    """A segment's header as far as the checks need it; `device` and `log` in hexadecimal."""

    device: str
    log: str
    segment: int
    first_seq: int
    chain: int
    previous_digest: bytes


def parse_header(block: bytes) -> Header | None:
    """The header of a segment's bytes, None when it is damaged or of an unknown layout."""
    if len(block) < records.HEADER_BYTES or not records.header_ok(block[: records.HEADER_BYTES]):
        return None
    _, _, chain, _, device, log, segment, first_seq, digest, _ = struct.unpack_from(
        records.HEADER_FORMAT, block
    )
    return Header(device.hex(), f"{log:08x}", segment, first_seq, chain, digest)


def segment_digest(block: bytes, key: bytes | None = None) -> bytes:
    """SHA-256 of a segment padded to 4096 bytes, or HMAC-SHA-256 with the board's key."""
    padded = block + _ERASED * (records.SEGMENT_BYTES - len(block))
    if key is not None:
        return hmac.digest(key, padded, "sha256")
    return hashlib.sha256(padded).digest()


def damaged_slots(block: bytes) -> list[int]:
    """The slots of a segment (its header good or not) that hold no good record; an unfinished one counts."""
    if zlib.crc32(block) == records.CRC_CARRY and len(block) % records.RECORD_BYTES == records.HEADER_BYTES:
        return []
    starts = range(records.HEADER_BYTES, len(block), records.RECORD_BYTES)
    return [k for k, at in enumerate(starts) if not _record_good(block[at : at + records.RECORD_BYTES])]


def _record_good(slot: bytes) -> bool:
    return len(slot) == records.RECORD_BYTES and records.record_ok(slot)


def next_seq(block: bytes, header: Header) -> int:
    """The sequence number after the last slot of a segment whose padding, if any, is taken off."""
    return header.first_seq + -(-(len(block) - records.HEADER_BYTES) // records.RECORD_BYTES)


def problems(
    block: bytes, device: str, log: str, segment: int, previous: bytes, key: bytes | None = None
) -> list[str]:
    """Everything wrong with `block` as `segment` of a log, following `previous` (b"" when that is not there).

    One line each, in plain words; an empty list means that all holds.
    """
    header = parse_header(block)
    if header is None:
        return ["its header is damaged"]
    found = []
    if (header.device, header.log) != (device, log):
        found.append(f"it belongs to device {header.device} log {header.log}")
    if header.segment != segment:
        found.append(f"it says it is segment {header.segment}")
    slots = damaged_slots(block)
    if slots:
        found.append(f"{len(slots)} of its records damaged, the first in slot {slots[0]}")
    body = block[records.HEADER_BYTES :]
    for k in range(len(body) // records.RECORD_BYTES):
        seq = struct.unpack_from("<I", body, k * records.RECORD_BYTES + 4)[0]
        if k not in slots and seq != header.first_seq + k:
            found.append(f"slot {k} holds number {seq}, not {header.first_seq + k}")
            break
    if previous:
        found += _chain_problems(header, previous, key)
    return found


def _chain_problems(header: Header, previous: bytes, key: bytes | None) -> list[str]:
    before = parse_header(previous)
    if before is None:
        return []
    found = []
    if header.chain == records.CHAIN_SHA256 or key is not None:
        with_key = key if header.chain == records.CHAIN_HMAC else None
        if header.previous_digest != segment_digest(previous, with_key):
            found.append("the segment before it is not the one it was chained to")
    if before.chain == records.CHAIN_HMAC and header.chain == records.CHAIN_SHA256:
        found.append("its chain goes on without the board's key")
    least = next_seq(previous.rstrip(_ERASED), before)
    if header.first_seq < least:
        found.append(f"its numbers begin at {header.first_seq}, not {least}")
    return found
