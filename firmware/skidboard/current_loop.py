"""4-20 mA current loops: what the current says about the loop (NAMUR NE 43), and the scaled value.

NE 43: 3.8 to 20.5 mA is a measurement, below 3.6 or above 21.0 mA a failure
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
    if loop_ua < 3600 or loop_ua > 21000:
        return LOOP_FAILED
    return LOOP_UNCERTAIN


class CurrentLoop:
    """One loop. Attributes after `update()`: `loop_ua`, `state`, `value` in the unit of `configure()`."""

    def __init__(self, low, high):
        self.loop_ua = 0
        self.state = LOOP_FAILED
        self.value = 0
        self.configure(low, high)

    def configure(self, low, high):
        """Set the values meant by 4 and by 20 mA; their difference may be up to 50000."""
        self._low = low
        self._span = high - low

    def update(self, loop_ua):
        """Take a current in microamps. The value goes on beyond 4 and 20 mA, up to what 24 mA would mean."""
        loop_ua = 0 if loop_ua < 0 else (65535 if loop_ua > 65535 else loop_ua)
        self.loop_ua = loop_ua
        self.state = loop_state(loop_ua)
        held_ua = loop_ua if loop_ua < _UA_MAX else _UA_MAX
        self.value = self._low + (held_ua - 4000) * self._span // 16000
