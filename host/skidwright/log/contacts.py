"""Clock contacts between a host and a board, and which of them contradict the others."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Contact:
    """A clock contact: at `uptime_ms` of `boot` UTC was `utc_ms`, give or take `uncertainty_ms`."""

    boot: int
    uptime_ms: int
    utc_ms: int
    uncertainty_ms: int
    seq: int = -1


class Agreement:
    """Which contacts (in order; `ends` in the order of the boots) can all be true, taken two at a time.

    Limits on a path can be met together when every two contacts can (a contradiction is a cycle through
    two contacts and the way between them), so pairs are all that need be looked at.
    """

    def __init__(self, contacts: list[Contact], ends: dict[int, int], drift: float) -> None:
        self._drift = drift
        self._boot = np.array([c.boot for c in contacts], np.int64)
        self._utc = np.array([c.utc_ms for c in contacts], np.float64)
        self._error = np.array([c.uncertainty_ms for c in contacts], np.float64)
        # uptimes laid end to end over the boots: at least this much has passed between two contacts
        begins = np.cumsum([0, *ends.values()])
        start = dict(zip(ends, begins.tolist(), strict=False))
        self._run = np.array([start[c.boot] + c.uptime_ms for c in contacts], np.float64)

    def disagree(self, i: int) -> NDArray[np.bool_]:
        """Which contacts contradict contact `i`."""
        later = np.where(np.arange(len(self._run)) > i, 1.0, -1.0)
        passed, ran = (self._utc - self._utc[i]) * later, (self._run - self._run[i]) * later
        slack = self._error + self._error[i] + 0.5
        short = passed < ran * (1 - self._drift) - slack
        return np.asarray(short | (self._boot == self._boot[i]) & (passed > ran * (1 + self._drift) + slack))

    def outvoted(self) -> list[int]:
        """Contacts to leave out so that the rest agree: each time the one that most others contradict.

        On a tie the one with the larger uncertainty goes, then the earlier one.
        """
        n = len(self._run)
        against = np.array([int(self.disagree(i).sum()) for i in range(n)], np.int64)
        out: list[int] = []
        while against.max(initial=0) > 0:
            worst = int(np.lexsort((-np.arange(n), self._error, against))[-1])
            against -= self.disagree(worst)
            against[worst] = -n
            out.append(worst)
        return out
