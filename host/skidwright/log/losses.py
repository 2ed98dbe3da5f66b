"""Records that are missing from a log: how many, and between which moments they were written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.log.decoded import Dataset
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS, Timeline


@dataclass(frozen=True)
class Loss:
    """Numbers `first_seq` to `last_seq` are missing; written between two moments (UTC in ms, None unknown).

    The moments are those of the records before and after, widened by the uncertainty of their times.
    """

    first_seq: int
    last_seq: int
    earliest_utc_ms: int | None
    latest_utc_ms: int | None

    @property
    def count(self) -> int:
        """How many records are missing."""
        return self.last_seq - self.first_seq + 1

    def __str__(self) -> str:
        what = (
            f"record {self.first_seq}" if self.count == 1 else f"records {self.first_seq} to {self.last_seq}"
        )
        return (
            f"{self.count:,} lost: {what}, written between {_iso(self.earliest_utc_ms)} "
            f"and {_iso(self.latest_utc_ms)}"
        )


def _iso(utc_ms: int | None) -> str:
    return "a time not known" if utc_ms is None else f"{np.datetime64(utc_ms // 1000, 's')}Z"


class LossFinder:
    """Takes a log's pieces in order and notes each stretch of numbers that is missing between two records.

    What is missing before the first record or after the last one shows in no number.
    """

    def __init__(self) -> None:
        self._last = np.empty((0, 3), np.int64)
        self._edges: list[NDArray[np.int64]] = []  # (2, 3) each: number, boot, uptime before and after

    def add(self, piece: Dataset, complete: bool) -> None:
        """Take a piece; `complete` when no number is known to be missing in it."""
        if complete:
            ends = [rows[-1:] for rows in (piece.samples, piece.events) if len(rows)]
        else:
            ends = [rows for rows in (piece.samples, piece.events) if len(rows)]
        parts = [
            np.stack([rows[name].astype(np.int64) for name in ("seq", "boot", "uptime_ms")], axis=1)
            for rows in ends
        ]
        if not parts:
            return
        rows = np.concatenate(parts)
        rows = np.concatenate([self._last, rows[np.argsort(rows[:, 0], kind="stable")]])
        if not complete:
            for i in np.flatnonzero(np.diff(rows[:, 0]) > 1).tolist():
                self._edges.append(rows[i : i + 2])
        self._last = rows[-1:]

    def losses(self, timeline: Timeline) -> list[Loss]:
        """What is missing, in order of numbers."""
        found = []
        for edge in self._edges:
            utc_ms, error_ms = timeline.utc(edge[:, 1], edge[:, 2].astype(np.uint64))
            known = (utc_ms != UNKNOWN_UTC_MS) & (error_ms != UNBOUNDED_MS)
            found.append(
                Loss(
                    int(edge[0, 0]) + 1,
                    int(edge[1, 0]) - 1,
                    int(utc_ms[0] - error_ms[0]) if known[0] else None,
                    int(utc_ms[1] + error_ms[1]) if known[1] else None,
                )
            )
        return found
