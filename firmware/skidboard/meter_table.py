"""Volume of a meter pulse at the fluid's viscosity, from its temperature, in integers.

The table gives volumes at viscosities. Where the fluid has these is calculated once, by ASTM D341 through its
viscosities at 40 and 100 degC: log log (v + 0.7) falls in a straight line with log T. Between those
temperatures the volume goes in a straight line, beyond the last ones it stays.
"""

POINTS_MAX = 4
# log2 of 10, of 313.15 K and of 373.15 K in hundredths, in 1/4096.
_LOG_10 = 13607
_LOG_40C = 61172
_LOG_100C = 62208
_ZERO_C = 27315


def log2(number):
    """log2 of a whole number from 1 to 2**29 in 1/4096, rounded down: square, halve, note the bit."""
    power = 14
    while number >= 32768:
        number >>= 1
        power += 1
    while number < 16384:
        number <<= 1
        power -= 1
    found = power << 12
    bit = 2048
    while bit:
        number = number * number >> 14
        if number >= 32768:
            number >>= 1
            found += bit
        bit >>= 1
    return found


def _chart(tenths):
    """log2 log2 (v + 0.7) of a viscosity in tenths of mm2/s, in 1/4096, but for a constant."""
    return log2(log2(tenths + 7) - _LOG_10)


def temperature_cdeg(tenths, v40_tenths, v100_tenths):
    """Where a fluid has a viscosity; all in tenths of mm2/s, from 20 on, thinner at 100 degC than at 40."""
    at_40 = _chart(v40_tenths)
    wanted = _LOG_40C + (_chart(tenths) - at_40) * (_LOG_100C - _LOG_40C) // (_chart(v100_tenths) - at_40)
    low, high = 20000, 60000
    while high - low > 1:
        middle = (low + high) >> 1
        if log2(middle) < wanted:
            low = middle
        else:
            high = middle
    return high - _ZERO_C


class MeterTable:
    """After `configure()`, `at()` gives the volume of a pulse in nL."""

    def __init__(self):
        self._points = ()  # type: tuple
        self._pulse_nl = 0

    def configure(self, pulse_nl, table, v40_tenths, v100_tenths):
        """`table` holds [viscosity in mm2/s, nL] by rising viscosity; without it `pulse_nl` counts always."""
        self._pulse_nl = pulse_nl
        # From cold to hot.
        self._points = tuple(
            [(temperature_cdeg(10 * v, v40_tenths, v100_tenths), nl) for v, nl in reversed(table)]
        )

    def at(self, temp_cdeg):
        """The volume at a temperature. Allocates nothing."""
        points = self._points
        if not points:
            return self._pulse_nl
        if temp_cdeg <= points[0][0]:
            return points[0][1]
        for i in range(1, len(points)):
            hot_cdeg, hot_nl = points[i]
            if temp_cdeg < hot_cdeg:
                cold_cdeg, cold_nl = points[i - 1]
                share = (temp_cdeg - cold_cdeg) * 1024 // (hot_cdeg - cold_cdeg)
                return cold_nl + ((hot_nl - cold_nl) * share >> 10)
        return points[-1][1]
