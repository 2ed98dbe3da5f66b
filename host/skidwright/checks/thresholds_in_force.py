"""Which thresholds a sample is judged by: those kept with the log when it was pulled."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits


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
