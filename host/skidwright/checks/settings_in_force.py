"""Which settings the board ran with: each sample holds their CRC-32, and only what it proves counts as known.

The log holds the settings in full, in pieces of their text, and every change of one. What was kept with the
log and what the host believes are tried alike: a set is known when its digest is right, whatever its source.
"""

import json
import zlib
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skidboard import records
from skidboard import settings as board_settings

Settings = Mapping[str, Any]


class SettingsHistory:
    """Sets of settings by their CRC-32, of which `first` are known beforehand (the defaults always are)."""

    def __init__(self, *first: Settings) -> None:
        self._known: dict[int, dict[str, Any]] = {}
        self.fallback: dict[str, Any] = {**board_settings.defaults(), **(first[0] if first else {})}
        for values in (board_settings.defaults(), *first):
            self._remember({**board_settings.defaults(), **values})

    def _remember(self, values: dict[str, Any]) -> int:
        crc = int(board_settings.digest(values))
        self._known.setdefault(crc, values)
        return crc

    def of(self, crc: int) -> dict[str, Any] | None:
        """The settings with that CRC-32, None when they are not known.

        A setting that the board's firmware did not have yet has its default.
        """
        values = self._known.get(crc)
        return None if values is None else {**board_settings.defaults(), **values}

    def learn(self, events: NDArray[np.void]) -> None:
        """Take what the log holds in full; then follow its records of changes, forward and backward.

        Records of one change ("name old > new"), several settings together, follow each other with the same
        digest.
        """
        for crc, text in _texts_in_full(events):
            values = parsed_text(text, crc)
            if values is not None:
                self._known.setdefault(crc, values)
        groups: list[tuple[int, list[tuple[str, Any, Any]]]] = []
        for crc, text in _texts_of_changes(events):
            change = _parsed_change(text)
            if change is None:
                continue
            if not groups or groups[-1][0] != crc:
                groups.append((crc, []))
            groups[-1][1].append(change)
        for crc, changes in groups:
            for values in list(self._known.values()):
                if all(values.get(name) == old for name, old, _ in changes):
                    after = {**values, **{name: new for name, _, new in changes}}
                    if board_settings.digest(after) == crc:
                        self._remember(after)
        for crc, changes in reversed(groups):
            known = self._known.get(crc)
            if known is not None and all(known.get(name) == new for name, _, new in changes):
                self._remember({**known, **{name: old for name, old, _ in changes}})


def _texts_in_full(events: NDArray[np.void]) -> Iterator[tuple[int, str]]:
    """(CRC-32, text) of each set that the log holds in full, a lost piece from a later telling."""
    sets: dict[int, dict[int, str]] = {}
    for row in events[events["kind"] == records.SETTINGS]:
        sets.setdefault(int(row["a"]), {})[int(row["code"])] = row["text"].decode("utf-8", "replace")
    for crc, pieces in sets.items():
        yield crc, "".join(pieces[number] for number in sorted(pieces))


def _texts_of_changes(events: NDArray[np.void]) -> Iterator[tuple[int, str]]:
    """(CRC-32 of the settings then, "name old > new") of each change whose text is there whole."""
    parts: list[str] = []
    for row in events[events["kind"] == records.SETTING]:
        if not row["code"]:
            parts = []
        if int(row["code"]) != len(parts):
            continue
        parts.append(row["text"].decode("utf-8", "replace"))
        text = "".join(parts)
        if len(text) >= int(row["b"]):
            yield int(row["a"]), text
            parts = []


def parsed_text(text: str, crc: int) -> dict[str, Any] | None:
    """The settings in a text of lines "name=value"; None when its CRC-32 is another, or it is none."""
    if zlib.crc32(text.encode()) != crc:
        return None
    try:
        pairs = (line.partition("=") for line in text.split("\n"))
        values = {name: json.loads(value) for name, _, value in pairs}
    except (ValueError, RecursionError):
        return None
    lists = (board_settings.ASSETS, board_settings.METER_TABLE)
    if any(board_settings.check(name, values[name]) for name in lists if name in values):
        return None
    if not all(type(value) is int for name, value in values.items() if name not in lists):
        return None
    return values if board_settings.canonical(values) == text.encode() else None


def _parsed_change(text: str) -> tuple[str, Any, Any] | None:
    """Name, old and new value out of "name old > new"; None when it is not of that form."""
    left, arrow, new = text.partition(" > ")
    name, space, old = left.partition(" ")
    if not arrow or not space:
        return None
    try:
        return name, json.loads(old), json.loads(new)
    except ValueError:
        return None
