"""Collects the trace of a running skid: the ticks of its control loop, asked for before they are gone."""

from __future__ import annotations

import numpy as np

from skidwright.errors import StepTestStopped
from skidwright.link.session import Session
from skidwright.tuning.trace import Trace

_MODULO = 1 << 30


class TickRecorder:
    """The ticks from now on. `take()` has to be called every few seconds; the board keeps the latest 128."""

    def __init__(self, session: Session, pulse_nl: int) -> None:
        self._session = session
        self._pulse_ul = pulse_nl / 1000.0
        # From the row to come on: what is older belongs to something else.
        _, self._wanted, _ = session.trace(0)
        self._time_us: list[int] = []
        self._edge_us: list[int] = []
        self._count: list[int] = []
        self._flow: list[int] = []
        self._duty: list[int] = []
        self._raw_count = 0

    def take(self) -> None:
        """Ask for what is new. Raises StepTestStopped when ticks are missing, LinkError."""
        first, to_come, rows = self._session.trace(self._wanted)
        if rows and first != self._wanted:
            raise StepTestStopped(
                "the board's ticks came too slowly: some are lost", self._session.where,
                "run it again; let no other program use the port",
            )  # fmt: skip
        self._wanted = to_come
        for now_us, edge_us, count, flow_ul_s, duty in rows:
            if self._time_us:
                self._time_us.append(self._time_us[-1] + (now_us - self._time_us[-1]) % _MODULO)
                self._count.append(self._count[-1] + (count - self._raw_count) % _MODULO)
            else:
                self._time_us.append(now_us)
                self._count.append(0)
            self._raw_count = count
            self._edge_us.append(self._time_us[-1] - (now_us - edge_us) % _MODULO)
            self._flow.append(flow_ul_s)
            self._duty.append(duty)

    @property
    def now_s(self) -> float:
        """Time of the latest tick from the first, s."""
        return (self._time_us[-1] - self._time_us[0]) * 1e-6 if self._time_us else 0.0

    def latest(self, span_s: float) -> tuple[np.ndarray, np.ndarray]:
        """Flow (uL/s) and duty (per mille) of the ticks of the latest `span_s`."""
        n = sum(1 for t in self._time_us if t >= self._time_us[-1] - span_s * 1e6) if self._time_us else 0
        return np.array(self._flow[-n:] if n else [], float), np.array(self._duty[-n:] if n else [], float)

    def trace(self, since_s: float = 0.0, notes: tuple[str, ...] = ()) -> Trace:
        """Everything from `since_s` on as a trace."""
        time_s = (np.array(self._time_us, float) - self._time_us[0]) * 1e-6
        edge_s = (np.array(self._edge_us, float) - self._time_us[0]) * 1e-6
        count = np.array(self._count, float)
        chosen = time_s >= since_s
        # The edge that stood there at the beginning may be of another time, or none at all.
        fresh = chosen & (count > count[np.argmax(chosen)])
        edge_s[~fresh] = np.nan
        volume = np.where(fresh, count * self._pulse_ul, np.nan)
        return Trace(
            time_s[chosen] - since_s,
            np.array(self._duty, float)[chosen],
            np.array(self._flow, float)[chosen],
            edge_s[chosen] - since_s,
            volume[chosen],
            self._session.where,
            notes,
        )
