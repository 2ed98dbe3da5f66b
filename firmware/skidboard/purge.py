"""What a purge leaves of the fluid sampled before, and how much purging would do, in integers.

Behind a laminar purge of n line volumes 1 / (4 n^2) of what leaves the line is old fluid (O. Levenspiel,
"Chemical Reaction Engineering", 3rd edition, p. 344). So with `step` between the fluid before and this one,
and `allowed` of it that may be wrong, n has to be sqrt(step / allowed) / 2. The host's checks use the
same law, in `skidwright.formulas.purge`.
"""

_LEVEL_MAX = (1 << 30) - 1
_NOISE_UP_TO = 1 << 20
# 200 line volumes; keeps the volume needed a small integer.
_RATIO_MAX = 160000


def isqrt(n):
    """The whole part of the square root of an integer of 0 or more."""
    low = n
    half = (low + 1) // 2
    while half < low:
        low = half
        half = (low + n // low) // 2
    return low


def level(count, volume_ul):
    """Particles in 16 mL, from a count below 2**30 in a volume. Small integers all the way."""
    while count > 32767:
        count >>= 1
        volume_ul >>= 1
    return count * 16000 // (volume_ul if volume_ul > 0 else 1)


def allowed(own, sample_ml, percent):
    """How far from its level, in 16 mL, a sample may be: a share of it, and three standard deviations."""
    noise = 48 * isqrt(own * sample_ml // 16 + 1) // sample_ml if own < _NOISE_UP_TO else 0
    return own // 100 * percent + own % 100 * percent // 100 + noise


class Purge:
    """Compares the fluid that comes with the one sampled before. Allocates nothing.

    `add()` and `clear()` follow what is counted before a sample; `needed_ul()` is the purge that it asks for.
    """

    def __init__(self):
        self._before = [-1] * 4  # particles in 16 mL; below 0: not known
        self._counts = [0] * 4
        self._volume_ul = 0
        self._purged_ul = 0
        self.configure(15000, 30000, 10)

    def configure(self, line_ul, sample_ul, percent):
        """Volume of the line, of a sample, and the share of its particles that may be left over."""
        self._line_ul = line_ul
        # Rounded up: less noise is allowed for then.
        self._sample_ml = (sample_ul + 999) // 1000
        self._percent = percent

    def remember(self, counts, volume_ul):
        """The counts of a finished sample: its fluid is what stands in the line now."""
        for i in range(4):
            self._before[i] = level(counts[i], volume_ul)

    def clear(self, purged_ul):
        """Begin to count anew, so much having been purged."""
        self._volume_ul = 0
        self._purged_ul = purged_ul
        for i in range(4):
            self._counts[i] = 0

    def add(self, deltas, tick_ul):
        """Take the edges and the volume of one tick in which flow was in its band."""
        self._volume_ul += tick_ul
        for i in range(4):
            if self._counts[i] < 1 << 28:
                self._counts[i] += deltas[i]

    def needed_ul(self):
        """The purge after which no channel is off by more than is allowed; 0 while that cannot be told."""
        most = 0
        for i in range(4):
            if self._volume_ul > 0 and self._before[i] >= 0:
                ratio = self._ratio(self._before[i], self._counts[i])
                if ratio > most:
                    most = ratio
        if not most:
            return 0
        return (self._line_ul >> 5) * (isqrt((1 + most) << 8) + 1)

    def _ratio(self, before, count):
        """The step over what may be left of it, rounded up; 0 when there is no more than that."""
        seen = level(count, self._volume_ul)
        # What is seen now still holds a share of the step; and one standard deviation less may be true.
        own = level(count - isqrt(count), self._volume_ul)
        if before > seen:
            sixteenths = self._purged_ul // ((self._line_ul >> 4) + 1)
            if sixteenths > 16000:
                sixteenths = 16000
            own -= (before - seen) // max((sixteenths * sixteenths >> 6) - 1, 1)
            if own < 0:
                own = 0
        step = before - seen if before > seen else seen - before
        may = allowed(own, self._sample_ml, self._percent)
        if step <= may:
            return 0
        ratio = step // (may if may > 0 else 1) + 1
        return ratio if ratio < _RATIO_MAX else _RATIO_MAX
