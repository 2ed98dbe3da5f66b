"""Seals: what a board with a key says of the end of its log, which no link of the chain covers yet.

A seal is 96 bytes, see docs/link.md: a head (device, log, segment, how many of its bytes, numbers, the nonce
of the host that asked) and the HMAC-SHA-256 of that head and those bytes with the board's key. They are kept
beside the log in `<log>.seals`, one a segment, the newest last, and can be tried by anybody who has the key.
"""

from __future__ import annotations

import hmac
import struct
from dataclasses import dataclass
from pathlib import Path

from skidboard import records

from skidwright.whole_file import write_whole

SUFFIX = ".seals"
# Some 400 KB. What is older has long been covered by links, but for a segment before a gap.
MOST_KEPT = 4096
_HEAD, _SLOT = records.HEADER_BYTES, records.RECORD_BYTES
_ERASED_SLOT = bytes([records.ERASED]) * _SLOT

NOT_SEALED = "not sealed"
NOT_TRIED = "sealed, not tried for want of the key"
HOLDS = "sealed"
NO_FIT = "seal does not fit"
CUT_OFF = "records are missing that were sealed"


@dataclass(frozen=True)
class Seal:
    """One seal as the board gave it; `device` and `log` in hexadecimal, `covered_bytes` of `segment`.

    `boot` and `uptime_ms` say when, `next_seq` the number the log's next record was to have.
    """

    device: str
    log: str
    segment: int
    covered_bytes: int
    boot: int
    next_seq: int
    uptime_ms: int
    nonce: bytes
    raw: bytes

    def fits(self, block: bytes, key: bytes) -> bool:
        """Whether the segment's bytes are those that were sealed with this key."""
        if len(block) < self.covered_bytes:
            return False
        signed = self.raw[: records.SEAL_HEAD_BYTES] + block[: self.covered_bytes]
        return hmac.compare_digest(hmac.digest(key, signed, "sha256"), self.raw[records.SEAL_HEAD_BYTES :])

    def all_there(self, block: bytes) -> bool:
        """Whether a segment, padded or not, has as many records as were sealed."""
        last = block[max(_HEAD, self.covered_bytes - _SLOT) : self.covered_bytes]
        return len(block) >= self.covered_bytes and last != _ERASED_SLOT

    def end(self, first_seq: int) -> int:
        """The number after the last record covered, in a segment that begins with `first_seq`."""
        return first_seq + (self.covered_bytes - _HEAD) // _SLOT


@dataclass(frozen=True)
class SealState:
    """What the newest seal of a log says of it: `state`, one of the constants above.

    `up_to` is the number of the last record that it covers, -1 where that is not known.
    """

    state: str = NOT_SEALED
    up_to: int = -1
    segment: int = -1

    def __str__(self) -> str:
        if self.state == HOLDS:
            return f"sealed up to record {self.up_to}"
        return self.state if self.segment < 0 else f"{self.state} (segment {self.segment})"


def parse(raw: bytes) -> Seal | None:
    """The seal in 96 bytes, None when they are none."""
    if len(raw) != records.SEAL_BYTES:
        return None
    label, device, log, segment, covered, boot, next_seq, uptime_ms, nonce = struct.unpack_from(
        records.SEAL_FORMAT, raw
    )
    if label != records.SEAL_LABEL or not _HEAD <= covered <= records.SEGMENT_BYTES:
        return None
    return Seal(device.hex(), f"{log:08x}", segment, covered, boot, next_seq, uptime_ms, nonce, raw)


def path_beside(log_path: Path) -> Path:
    """Where the seals of a `.skidlog` file are kept."""
    return log_path.with_suffix(SUFFIX)


def read(log_path: Path) -> list[Seal]:
    """The seals kept beside a `.skidlog` file, one a segment, in the order kept; what is none is passed over.

    Raises OSError when the file is there and cannot be read.
    """
    path = path_beside(log_path)
    if not path.is_file():
        return []
    size = records.SEAL_BYTES
    with path.open("rb") as file:
        raw = file.read(MOST_KEPT * size)
    found = [parse(raw[at : at + size]) for at in range(0, len(raw), size)]
    owner = (log_path.parent.name, log_path.stem)
    return list({seal.segment: seal for seal in found if seal and (seal.device, seal.log) == owner}.values())


def keep(log_path: Path, seal: Seal, anew: bool = False) -> None:
    """Keep a seal beside its log; it takes the place of an earlier one of that segment, `anew` of all.

    Raises OSError.
    """
    others = [] if anew else [old for old in read(log_path) if old.segment != seal.segment]
    kept = [*others, seal][-MOST_KEPT:]
    write_whole(path_beside(log_path), b"".join(one.raw for one in kept))
