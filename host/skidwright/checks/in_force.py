"""By which settings of the board and which thresholds of the checks each sample is judged."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray
from skidboard import settings as board_settings

from skidwright.checks.limits import CheckLimits
from skidwright.log import settings_text

Settings = Mapping[str, Any]

# What the defaults were before each new firmware that changed them, newest first; None: there was no such
# setting. With these a guess at settings is tried as that firmware would have had them.
EARLIER: tuple[dict[str, Any], ...] = (
    {"counter_driver": None, "code_channel": None, "code_low": None, "code_high": None},
    {"purge_limit_ul": None, "purge_limit_s": None, "line_volume_ul": None, "carryover_percent": None},
)


def defaults_then() -> Iterator[dict[str, Any]]:
    """The defaults of this firmware, and of each one before it."""
    values = board_settings.defaults()
    yield values
    for change in EARLIER:
        values = {name: value for name, value in {**values, **change}.items() if value is not None}
        yield values


class SettingsHistory:
    """Sets of settings by their CRC-32, of which `first` are tried (names left out have their defaults), and
    the defaults of this firmware and earlier ones.

    `fallback` takes the place of settings that are not known: the defaults, never what somebody set since.
    The check `settings-unknown` speaks against whatever rests on them.
    """

    def __init__(self, *first: Settings) -> None:
        self._known: dict[int, dict[str, Any]] = {}
        self.fallback: dict[str, Any] = board_settings.defaults()
        for then in defaults_then():
            for values in ({}, *first):
                self._remember({**then, **{name: value for name, value in values.items() if name in then}})

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

    def take(self, texts: Iterable[tuple[int, str]]) -> None:
        """Take settings in full, each as (CRC-32, text); what proves not to be some is passed over."""
        for crc, text in texts:
            values = settings_text.parsed(text, crc)
            if values is not None:
                self._known.setdefault(crc, values)

    def learn(self, events: NDArray[np.void]) -> None:
        """Take what the log holds in full; then follow its records of changes, forward and backward.

        Records of one change, several settings together, follow each other with the same digest.
        """
        self.take(settings_text.in_full(events))
        groups: list[tuple[int, list[tuple[str, Any, Any]]]] = []
        for crc, change in settings_text.changes(events):
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


class ThresholdsInForce:
    """Thresholds by sequence number: `first`, and others from a record on, by rising number."""

    def __init__(self, first: CheckLimits, later: Sequence[tuple[int, CheckLimits]] = ()) -> None:
        self._all = [first, *(limits for _, limits in later)]
        self._starts = np.array([start for start, _ in later], np.int64)

    @property
    def newest(self) -> CheckLimits:
        """Those of the records that come next."""
        return self._all[-1]

    def runs(self, seq: NDArray[np.integer]) -> Iterator[tuple[slice, CheckLimits]]:
        """Stretches of samples, in order, that are judged by the same thresholds; one at least."""
        if not len(self._starts) or not len(seq):
            yield slice(0, len(seq)), self._all[-1 if not len(seq) else 0]
            return
        which = np.searchsorted(self._starts, seq.astype(np.int64), side="right")
        edges = [0, *(np.flatnonzero(np.diff(which)) + 1).tolist(), len(seq)]
        for start, end in zip(edges, edges[1:], strict=False):
            yield slice(start, end), self._all[int(which[start])]


def limits_of(checks: Mapping[str, float]) -> CheckLimits:
    """Thresholds by name as they were kept: one that there was not yet has its default, one that is no more
    is passed over. Raises ValueError.
    """
    known = {item.name for item in fields(CheckLimits)}
    return CheckLimits(**{name: value for name, value in checks.items() if name in known})
