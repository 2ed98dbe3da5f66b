"""Boot number, and an uptime in milliseconds that goes on across the wrap of the ticks at 2**30.

`advance` works in small integers only and allocates nothing, so the control
tick may call it. It must be called at least once in 2**29 ms (6.2 days).
"""

from skidboard.ticks import ticks_diff

_LAST_SMALL = 0x3FFFFFFF


class Timebase:
    """Uptime since this object was made at tick `now_ms`; `boot` is set once the journal is open."""

    def __init__(self, now_ms):
        self.boot = 0
        self._last_ticks = now_ms
        self._low_ms = 0
        self._periods = 0

    def advance(self, now_ms):
        """Take in the present tick count. A count that has gone backwards changes nothing."""
        step = ticks_diff(now_ms, self._last_ticks)
        if step <= 0:
            return
        self._last_ticks = now_ms
        room = _LAST_SMALL - self._low_ms
        if step > room:
            self._low_ms = step - room - 1
            self._periods += 1
        else:
            self._low_ms += step

    def uptime_ms(self):
        """Milliseconds since the start as of the last `advance`; allocates after 12.4 days."""
        return (self._periods << 30) + self._low_ms

    def uptime_s(self):
        """Whole seconds since the start, a small integer for 34 years."""
        return self.uptime_ms() // 1000
