"""Decoded records of a log with the place where each stood."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log.integrity import IntegrityReport

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
