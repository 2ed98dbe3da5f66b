"""Keys of boards whose log is chained by HMAC: made here, put on the board once, kept apart from the archive.

A key file holds 64 hexadecimal digits a line. `<user's data>/keys/<device>.key` holds all keys that a board
has had, the newest last; only the user may read it. Who has the archive and no key cannot forge a log.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import Sequence
from pathlib import Path

from skidboard.log_key import KEY_BYTES

from skidwright.errors import KeyFileError

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


def read(path: Path) -> list[bytes]:
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
    return read(path) if _DEVICE.fullmatch(device) and path.exists() else []


def remember(device: str, key: bytes) -> Path:
    """Keep a device's key as its newest; where. Raises KeyFileError."""
    if not _DEVICE.fullmatch(device):
        raise KeyFileError(f"{device[:40]!r} is no device", "", "16 hexadecimal digits are needed")
    path = folder() / f"{device}.key"
    known = of(device)
    if known[-1:] != [key]:
        write(path, [*(k for k in known if k != key), key])
    return path
