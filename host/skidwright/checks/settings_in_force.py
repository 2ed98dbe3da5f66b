"""Which settings the board ran with: each sample holds only their CRC-32, which proves a guess right.

Guesses are the settings that the host knows and what the log's own records of
changes make of them. Only a set of settings whose digest is that in the record counts as known.
"""

import json
from collections.abc import Mapping
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
        """The settings with that CRC-32, None when they are not known."""
        return self._known.get(crc)

    def learn(self, events: NDArray[np.void]) -> None:
        """Follow the log's records of changed settings ("name old > new"), forward and backward.

        Records of one change, several settings together, follow each other with the same digest.
        """
        groups: list[tuple[int, list[tuple[str, Any, Any]]]] = []
        for row in events[events["kind"] == records.SETTING]:
            change, crc = _parsed(row["text"]), int(row["a"])
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


def _parsed(text: bytes) -> tuple[str, Any, Any] | None:
    """Name, old and new value out of "name old > new"; None when it is not of that form."""
    left, arrow, new = text.decode("utf-8", "replace").partition(" > ")
    name, space, old = left.partition(" ")
    if not arrow or not space:
        return None
    try:
        return name, json.loads(old), json.loads(new)
    except ValueError:
        return None
