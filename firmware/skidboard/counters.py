"""Edge counters as monotonic totals, from hardware counters that run freely modulo 2**30."""

MASK = (1 << 30) - 1
# More than this between two updates is no count any more, and sums have to stay below 2**30.
DELTA_MAX = 1 << 28


class Counters:
    """Follows `channels` free-running counters.

    `deltas[i]` is what came in since the update before; `totals[i]` what came in
    since `clear()`. A total stops at 2**30 - 1 instead of wrapping, so it never
    falls. Updates must come before a counter has gone a quarter around.
    """

    def __init__(self, channels):
        self.channels = channels
        self.deltas = [0] * channels
        self.totals = [0] * channels
        self._last = [0] * channels
        self._started = False

    def update(self, raw):
        """Take the raw readings; the first ones only say where to count from."""
        deltas = self.deltas
        totals = self.totals
        last = self._last
        for i in range(self.channels):
            now = raw[i] & MASK
            delta = (now - last[i]) & MASK if self._started else 0
            last[i] = now
            if delta > DELTA_MAX:
                delta = DELTA_MAX
            deltas[i] = delta
            room = MASK - totals[i]
            totals[i] += delta if delta < room else room
        self._started = True

    def clear(self):
        """Begin the totals at zero again; nothing that comes in later is missed or counted twice."""
        for i in range(self.channels):
            self.totals[i] = 0
