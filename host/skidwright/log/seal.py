"""Keys of boards, and the seals over what a log has newest."""

from __future__ import annotations

import hmac
import os
import re
import secrets
import struct
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from skidboard import records
from skidboard.log_key import KEY_BYTES

from skidwright.errors import KeyFileError
from skidwright.whole_file import write_whole

_KEY = re.compile(rf"[0-9a-fA-F]{{{2 * KEY_BYTES}}}")
_DEVICE = re.compile(r"[0-9a-f]{16}")
_MOST_BYTES = 65536


def folder() -> Path:
    """Where keys are kept on this computer."""
    from platformdirs import user_data_path

    return user_data_path("skidwright", appauthor=False) / "keys"


def make() -> bytes:
    """A new key: 32 bytes from the system's source of randomness."""
    return secrets.token_bytes(KEY_BYTES)


def read_key(path: Path) -> list[bytes]:
    """The keys in a key file, at least one. Raises KeyFileError."""
    try:
        with path.open("rb") as file:
            lines = file.read(_MOST_BYTES).decode("ascii", "replace").split()
    except OSError as error:
        raise KeyFileError(f"cannot be read ({error.strerror})", str(path), "name a key file") from None
    if not lines or not all(_KEY.fullmatch(line) for line in lines):
        raise KeyFileError(
            "this is no key file", str(path), f"a line of {2 * KEY_BYTES} hexadecimal digits is needed"
        )
    return [bytes.fromhex(line) for line in lines]


def write(path: Path, keys: Sequence[bytes]) -> None:
    """Write a key file that only the user may read; what was there is replaced. Raises KeyFileError."""
    new = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        new.unlink(missing_ok=True)
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.writelines(f"{key.hex()}\n" for key in keys)
            file.flush()
            os.fsync(file.fileno())
        new.replace(path)
    except OSError as error:
        raise KeyFileError(
            f"cannot be written ({error.strerror})", str(path), "check that place and its permissions"
        ) from None


def of(device: str) -> list[bytes]:
    """The keys kept for a device (16 hexadecimal digits), none when there are none. Raises KeyFileError."""
    path = folder() / f"{device}.key"
    return read_key(path) if _DEVICE.fullmatch(device) and path.exists() else []


def remember(device: str, key: bytes) -> Path:
    """Keep a device's key as its newest; where. Raises KeyFileError."""
    if not _DEVICE.fullmatch(device):
        raise KeyFileError(f"{device[:40]!r} is no device", "", "16 hexadecimal digits are needed")
    path = folder() / f"{device}.key"
    known = of(device)
    if known[-1:] != [key]:
        write(path, [*(k for k in known if k != key), key])
    return path


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
