"""Pump speed from the tachometer's pulses."""

from skidboard.counters import Counters

_WINDOW_MS = 1000
# Keeps pulses * 60, and revolutions a minute * 1000, below 2**30.
_MOST = 17000000
_RPM_MOST = 1000000


class Tachometer:
    """`speed_rpm` over the latest second or so; 0 without a tachometer."""

    def __init__(self):
        self.speed_rpm = 0
        self._counters = Counters(1)
        self._raw = [0]
        self._pulses = 0
        self._ms = 0
        self._per_rev = 0

    def configure(self, pulses_per_rev):
        """Pulses for each revolution; 0: there is no tachometer."""
        self._per_rev = pulses_per_rev
        self.speed_rpm = 0

    def update(self, count, dt_ms):
        """Take the free-running count, `dt_ms` after the one before. Allocates nothing."""
        self._raw[0] = count
        self._counters.update(self._raw)
        self._pulses += self._counters.deltas[0]
        self._ms += dt_ms
        if self._ms < _WINDOW_MS:
            return
        if self._per_rev:
            pulses = self._pulses if self._pulses < _MOST else _MOST
            per_min = (pulses * 60 + self._per_rev // 2) // self._per_rev
            self.speed_rpm = min(per_min, _RPM_MOST) * 1000 // self._ms
        self._pulses = 0
        self._ms = 0
