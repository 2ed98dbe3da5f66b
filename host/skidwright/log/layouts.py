"""The record layouts as numpy dtypes, and a log decoded into them."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log.damage import IntegrityReport

_SCALARS = {"B": "u1", "H": "<u2", "h": "<i2", "I": "<u4", "i": "<i4", "Q": "<u8", "q": "<i8"}
# Text ends at its first zero; all other byte strings keep their zeros.
_TEXT_FIELDS = ("text",)


def dtype_of(fields: Iterable[tuple[str, str]]) -> np.dtype[np.void]:
    """The packed little-endian dtype of a field table; KeyError for a format letter it does not know."""
    parts: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    for name, form in fields:
        count, letter = int(form[:-1] or 1), form[-1]
        if letter == "s":
            parts.append((name, f"{'S' if name in _TEXT_FIELDS else 'V'}{count}"))
        elif count == 1:
            parts.append((name, _SCALARS[letter]))
        else:
            parts.append((name, _SCALARS[letter], (count,)))
    return np.dtype(parts)


HEADER = dtype_of(records.HEADER_FIELDS)
SAMPLE = dtype_of(records.SAMPLE_FIELDS)
EVENT = dtype_of(records.EVENT_FIELDS)


class Former(NamedTuple):
    """A layout that boards wrote before: dtypes of its samples and events, of a record's size both."""

    sample: np.dtype[np.void]
    event: np.dtype[np.void]


# By number. A new layout puts the one before it here, with a kept log of it in tests/protocol/kept_logs.
FORMER: dict[int, Former] = {}


def readable(layout: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which layout numbers can be read."""
    return np.asarray(np.isin(layout, [records.LAYOUT, *FORMER]))


def renew(rows: NDArray[np.void], newest: np.dtype[np.void]) -> None:
    """Bring records of former layouts into `newest` (SAMPLE or EVENT), in place; `rows` are plain bytes.

    A field that a former layout did not have is 0, as is one of another meaning, which bears another name.
    """
    if not FORMER:
        return
    layout = rows.view(SAMPLE)["layout"].copy()
    for number, former in FORMER.items():
        mine = layout == number
        if mine.any():
            rows[mine] = _renewed(rows[mine], former.sample if newest is SAMPLE else former.event, newest)


def _renewed(rows: NDArray[np.void], was: np.dtype[np.void], newest: np.dtype[np.void]) -> NDArray[Any]:
    old, new = rows.view(was), np.zeros(len(rows), newest)
    assert newest.names is not None and was.names is not None
    for name in newest.names:
        if name in was.names:
            new[name] = old[name]
    return new.view(rows.dtype)


# Marks on a sample, one bit each.
HEADER_DAMAGED = 1
CHAIN_BROKEN = 2
GAP_BEFORE = 4
REPEATED = 8
FOREIGN = 16
IMPOSSIBLE = 32


@dataclass
class Dataset:
    """Decoded records of a log, or of a piece of it, in the order in which they stand there.

    `samples` has dtype `layouts.SAMPLE`, `events` `layouts.EVENT`. `sample_place` and `event_place`
    are block number * 28 + slot, counted over all blocks that were read; `marks` has one byte a sample.
    `block_segment` holds the segment number of each block from `first_block` on.
    """

    samples: NDArray[np.void]
    events: NDArray[np.void]
    sample_place: NDArray[np.int64]
    event_place: NDArray[np.int64]
    marks: NDArray[np.uint8]
    first_block: int
    block_segment: NDArray[np.int64]
    report: IntegrityReport
    device: bytes | None = None
    log: int | None = None

    def __len__(self) -> int:
        return len(self.samples)

    @property
    def sample_segment(self) -> NDArray[np.int64]:
        """Segment number of each sample, -1 where its header is damaged and no neighbour tells."""
        return self.block_segment[self.sample_place // records.SLOTS - self.first_block]

    @property
    def sample_slot(self) -> NDArray[np.int64]:
        """Slot of each sample within its segment, 0 to 27."""
        return self.sample_place % records.SLOTS

    @property
    def event_segment(self) -> NDArray[np.int64]:
        """Segment number of each event, as for samples."""
        return self.block_segment[self.event_place // records.SLOTS - self.first_block]

    @property
    def event_slot(self) -> NDArray[np.int64]:
        """Slot of each event within its segment."""
        return self.event_place % records.SLOTS
