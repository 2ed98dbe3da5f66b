"""Temperature from an NTC thermistor of 10 kohm at 25 degC and B = 3950 K.

R(T) = 10 kohm * exp(B * (1/T - 1/298.15 K)), tabulated every 5 degC from -30 to
150 degC; linear in between, which stays within 0.25 degC of the formula.
"""

from skidboard.current_loop import LOOP_FAILED, LOOP_OK

_FIRST_CDEG = -3000
_STEP_CDEG = 500
_OHM = (
    200204, 144317, 105385, 77898, 58246, 44026, 33621, 25925, 20175, 15837, 12535, 10000, 8037, 6506, 5301,
    4348, 3588, 2978, 2486, 2086, 1760, 1492, 1270, 1087, 934, 805, 698, 606, 529, 463, 407, 359, 317, 281,
    250, 223, 200,
)  # fmt: skip


class Thermistor:
    """After `update()`: `state` (as for a current loop) and `value` in hundredths of a degree Celsius."""

    def __init__(self):
        self.state = LOOP_FAILED
        self.value = 0

    def update(self, ohm):
        """Take a resistance in ohms; outside the table (open, shorted) the sensor has failed."""
        if not 200 <= ohm <= 200204:
            self.state = LOOP_FAILED
            self.value = 0
            return
        i = 1
        while ohm < _OHM[i]:
            i += 1
        self.state = LOOP_OK
        self.value = (
            _FIRST_CDEG + (i - 1) * _STEP_CDEG + (_OHM[i - 1] - ohm) * _STEP_CDEG // (_OHM[i - 1] - _OHM[i])
        )
