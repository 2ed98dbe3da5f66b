"""The settings of a board, kept beside its logs as they come with each pull.

    ARCHIVE/<device, 16 hex>/<CRC-32, 8 hex>.settings

Such a file holds the text of all settings (docs/log_format.md, "Settings in full"); its CRC-32 is its name,
and the one in every sample that was taken with them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from skidwright.archive.log_file import disk_error
from skidwright.log import settings_text
from skidwright.whole_file import write_whole

SUFFIX = ".settings"
_CRC = re.compile(r"[0-9a-f]{8}")
_MOST_BYTES = 1 << 16


def keep(folder: Path, values: Mapping[str, Any]) -> None:
    """Keep settings in a device's `folder`. Raises ValueError when they are none, and ArchiveError."""
    crc, text = settings_text.text_of(values)
    path = folder / f"{crc:08x}{SUFFIX}"
    try:
        if not path.is_file() or path.read_bytes() != text.encode():
            write_whole(path, text.encode())
    except OSError as error:
        raise disk_error(error, path) from None


def read(folder: Path) -> list[tuple[int, str]]:
    """(CRC-32, text) of each set kept in a device's `folder`. Raises ArchiveError.

    What has rotted no longer has the CRC-32 that it is named by; it is for the reader of these to try it.
    """
    found = []
    try:
        for path in sorted(folder.iterdir()):
            if path.suffix == SUFFIX and _CRC.fullmatch(path.stem) and path.is_file():
                with path.open("rb") as file:
                    raw = file.read(_MOST_BYTES)
                found.append((int(path.stem, 16), raw.decode("utf-8", "replace")))
    except OSError as error:
        raise disk_error(error, folder) from None
    return found
