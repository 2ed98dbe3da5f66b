"""The settings of a board as text: in full, as a log and an archive keep them, and a change of one.

In full they are lines "name=value" in one fixed order; the CRC-32 of that text is the one in every sample
taken with these settings. So whatever holds such a text, it proves itself.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skidboard import records
from skidboard import settings as board_settings

_LISTS = (board_settings.ASSETS, board_settings.METER_TABLE)


def text_of(values: Mapping[str, Any]) -> tuple[int, str]:
    """(CRC-32, text) of settings. Raises ValueError when they are none: a value that is no whole number."""
    text = board_settings.canonical(values).decode()
    crc = zlib.crc32(text.encode())
    if parsed(text, crc) is None:
        raise ValueError("no settings of a board")
    return crc, text


def parsed(text: str, crc: int) -> dict[str, Any] | None:
    """The settings in a text of lines "name=value"; None when its CRC-32 is another, or it is none."""
    if zlib.crc32(text.encode()) != crc:
        return None
    try:
        pairs = (line.partition("=") for line in text.split("\n"))
        values = {name: json.loads(value) for name, _, value in pairs}
    except (ValueError, RecursionError):
        return None
    if any(board_settings.check(name, values[name]) for name in _LISTS if name in values):
        return None
    if not all(type(value) is int for name, value in values.items() if name not in _LISTS):
        return None
    return values if board_settings.canonical(values) == text.encode() else None


def in_full(events: NDArray[np.void]) -> Iterator[tuple[int, str]]:
    """(CRC-32, text) of each set that the log holds in full, a lost piece from a later telling."""
    sets: dict[int, dict[int, str]] = {}
    for row in events[events["kind"] == records.SETTINGS]:
        sets.setdefault(int(row["a"]), {})[int(row["code"])] = row["text"].decode("utf-8", "replace")
    for crc, pieces in sets.items():
        yield crc, "".join(pieces[number] for number in sorted(pieces))


def changes(events: NDArray[np.void]) -> Iterator[tuple[int, tuple[str, Any, Any]]]:
    """(CRC-32 of the settings then, (name, old, new)) of each change whose text is there whole."""
    parts: list[str] = []
    for row in events[events["kind"] == records.SETTING]:
        if not row["code"]:
            parts = []
        if int(row["code"]) != len(parts):
            continue
        parts.append(row["text"].decode("utf-8", "replace"))
        text = "".join(parts)
        if len(text) >= int(row["b"]):
            parts = []
            change = _parsed_change(text)
            if change is not None:
                yield int(row["a"]), change


def _parsed_change(text: str) -> tuple[str, Any, Any] | None:
    """Name, old and new value out of "name old > new"; None when it is not of that form."""
    left, arrow, new = text.partition(" > ")
    name, space, old = left.partition(" ")
    if not arrow or not space:
        return None
    try:
        return name, json.loads(old), json.loads(new)
    except (ValueError, RecursionError):
        return None
