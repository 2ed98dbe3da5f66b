"""4-20 mA current loops: what the current says about the loop (NAMUR NE 43), and the scaled value.

NE 43: 3.8 to 20.5 mA is a measurement, 3.6 mA and less or 21.0 mA and more a failure
(broken wire, short circuit, sensor fault); what lies between is uncertain.
"""

LOOP_OK = 0
LOOP_UNCERTAIN = 1
LOOP_FAILED = 2

_UA_MAX = 24000


def loop_state(loop_ua):
    """LOOP_OK, LOOP_UNCERTAIN or LOOP_FAILED for a current in microamps."""
    if 3800 <= loop_ua <= 20500:
        return LOOP_OK
    if loop_ua <= 3600 or loop_ua >= 21000:
        return LOOP_FAILED
    return LOOP_UNCERTAIN


def _held(value, most):
    return 0 if value < 0 else (most if value > most else value)


class CurrentLoop:
    """One loop. Attributes after `update()`: `loop_ua`, `state`, `value` in the unit of `configure()`."""

    def __init__(self, low, high):
        self.loop_ua = 0
        self.state = LOOP_FAILED
        self.value = 0
        self.configure(low, high)

    def configure(self, low, high, offset_ua=0, gain_ppm=0):
        """Set the values meant by 4 and by 20 mA; their difference may be up to 50000.

        `offset_ua` and `gain_ppm` (up to 40000) are added to each reading: what calibrating the input found.
        """
        self._low = low
        self._span = high - low
        self._offset_ua = offset_ua
        self._gain_ppm = gain_ppm

    def update(self, loop_ua):
        """Take a current in microamps. The value goes on beyond 4 and 20 mA, up to what 24 mA would mean."""
        loop_ua = _held(loop_ua, 65535)
        # 24000 * 40000 stays a small integer; half a unit is added so that the quotient is rounded.
        loop_ua += self._offset_ua + (_held(loop_ua, _UA_MAX) * self._gain_ppm + 500000) // 1000000
        loop_ua = _held(loop_ua, 65535)
        self.loop_ua = loop_ua
        self.state = loop_state(loop_ua)
        self.value = self._low + ((_held(loop_ua, _UA_MAX) - 4000) * self._span + 8000) // 16000
