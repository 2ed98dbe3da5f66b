"""The board's settings and the thresholds of the checks as the archive keeps them, beside the logs
they belong to."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from skidwright.archive.log_file import disk_error
from skidwright.errors import ArchiveUnreadable
from skidwright.log import settings_text
from skidwright.whole_file import write_whole

SETTINGS_SUFFIX = ".settings"
_CRC = re.compile(r"[0-9a-f]{8}")
_MOST_SETTINGS_BYTES = 1 << 16


def keep_settings(folder: Path, values: Mapping[str, Any]) -> None:
    """Keep settings in a device's `folder`. Raises ValueError when they are none, and ArchiveError."""
    crc, text = settings_text.text_of(values)
    path = folder / f"{crc:08x}{SETTINGS_SUFFIX}"
    try:
        if not path.is_file() or path.read_bytes() != text.encode():
            write_whole(path, text.encode())
    except OSError as error:
        raise disk_error(error, path) from None


def read_settings(folder: Path) -> list[tuple[int, str]]:
    """(CRC-32, text) of each set kept in a device's `folder`. Raises ArchiveError.

    What has rotted no longer has the CRC-32 that it is named by; it is for the reader of these to try it.
    """
    found = []
    try:
        for path in sorted(folder.iterdir()):
            if path.suffix == SETTINGS_SUFFIX and _CRC.fullmatch(path.stem) and path.is_file():
                with path.open("rb") as file:
                    raw = file.read(_MOST_SETTINGS_BYTES)
                found.append((int(path.stem, 16), raw.decode("utf-8", "replace")))
    except OSError as error:
        raise disk_error(error, folder) from None
    return found


THRESHOLDS_SUFFIX = ".thresholds"
_MOST_THRESHOLDS_BYTES = 4 << 20


@dataclass(frozen=True)
class Thresholds:
    """`checks`: thresholds by name; `water`: (A, B) by asset number, of fluids with their own."""

    checks: Mapping[str, float]
    water: Mapping[int, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Kept:
    """Thresholds for the records from number `from_record` on, as written at `utc_ms`."""

    from_record: int
    utc_ms: int
    thresholds: Thresholds


def path_beside(log_path: Path) -> Path:
    """Where the thresholds of a `.skidlog` file are kept."""
    return log_path.with_suffix(THRESHOLDS_SUFFIX)


def read_thresholds(log_path: Path) -> list[Kept]:
    """What is kept beside a `.skidlog` file, by rising first record; nothing when there is no such file.

    Raises ArchiveUnreadable: thresholds that are damaged are not replaced by others without a word.
    """
    return in_force(_lines(path_beside(log_path)))


def in_force(lines: Iterable[Kept]) -> list[Kept]:
    """What lines say together, by rising first record: a later one counts from its own first record on."""
    found: list[Kept] = []
    for line in lines:
        found = [*(one for one in found if one.from_record < line.from_record), line]
    return found


def newest(archive: Path) -> Kept | None:
    """What was kept last of all logs in an archive; None when nothing is. Raises ArchiveUnreadable."""
    try:
        paths = sorted(archive.glob(f"{'[0-9a-f]' * 16}/{'[0-9a-f]' * 8}{THRESHOLDS_SUFFIX}"))
    except OSError as error:
        raise disk_error(error, archive) from None
    lines = [read_thresholds(path)[-1:] for path in paths]
    return max((line[0] for line in lines if line), key=lambda kept: kept.utc_ms, default=None)


def keep_thresholds(log_path: Path, from_record: int, utc_ms: int, thresholds: Thresholds) -> bool:
    """Keep thresholds for the records from `from_record` on; False when those in force there are the same.

    The first ones are for all records. Raises ArchiveError.
    """
    path = path_beside(log_path)
    lines = _lines(path)
    there = in_force(lines)
    if not there:
        from_record = 0
    if there and there[-1].thresholds == thresholds and there[-1].from_record <= from_record:
        return False
    lines.append(Kept(from_record, utc_ms, thresholds))
    try:
        write_whole(path, "".join(_line(line) for line in lines).encode())
    except OSError as error:
        raise disk_error(error, path) from None
    return True


def damaged(path: Path, why: str = "") -> ArchiveUnreadable:
    """What to raise when the file at `path` holds no thresholds."""
    return ArchiveUnreadable(
        f"the thresholds kept with this log are damaged{f' ({why})' if why else ''}",
        str(path),
        "restore the file from a copy of the archive, or move it away to read the log by today's skid.toml",
    )


def _line(kept: Kept) -> str:
    table = {
        "from_record": kept.from_record,
        "utc_ms": kept.utc_ms,
        "checks": dict(kept.thresholds.checks),
        "water": {str(asset): list(pair) for asset, pair in kept.thresholds.water.items()},
    }
    return json.dumps(table, allow_nan=False) + "\n"


def _lines(path: Path) -> list[Kept]:
    try:
        if not path.exists():
            return []
        with path.open("rb") as file:
            raw = file.read(_MOST_THRESHOLDS_BYTES + 1)
    except OSError as error:
        raise disk_error(error, path) from None
    try:
        if len(raw) > _MOST_THRESHOLDS_BYTES:
            raise ValueError
        return [_parsed(json.loads(line)) for line in raw.decode("utf-8").splitlines()]
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError, OverflowError):
        raise damaged(path) from None


def _parsed(table: Any) -> Kept:
    start, utc_ms = table["from_record"], table["utc_ms"]
    if type(start) is not int or not 0 <= start < 1 << 32 or type(utc_ms) is not int:
        raise ValueError
    checks = {str(name): _number(value) for name, value in table["checks"].items()}
    water = {int(asset): (_number(a), _number(b)) for asset, (a, b) in table["water"].items()}
    return Kept(start, utc_ms, Thresholds(checks, water))


def _number(value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise ValueError
    return value
