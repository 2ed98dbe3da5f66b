"""The flow controller: PI with feedforward, in integers.

duty = set-point / full flow + gain * error + integral of gain * error / integral time,
all in parts per million of full duty. The integral stops where it could only
wind up: at the duty limits, while the slew limit holds the output back, and
while flow is not measured.
"""

_FULL_PPM = 1000000
_DT_MAX_MS = 1000


class FlowController:
    """Holds flow at a set-point. After `update()`: `duty_permille`, `at_limit` (duty at its highest)."""

    def __init__(self):
        self.duty_permille = 0
        self.at_limit = False
        self.set_ul_s = 0
        self._duty_ppm = 0
        self._integral_ppm = 0
        self._rest = 0
        self._feedforward_ppm = 0
        self.configure(4000, 60, 950, 400, 100, 700)

    def configure(self, full_ul_s, min_permille, max_permille, slew_permille_s, gain_ppm, integral_ms):
        """Take the settings (gain in ppm of duty per uL/s); the output goes on from where it is."""
        self._full_ul_s = full_ul_s
        self._min_ppm = min_permille * 1000
        self._max_ppm = max_permille * 1000
        self._slew_permille_s = slew_permille_s
        self._gain = gain_ppm
        self._integral_ms = integral_ms
        self._rest = 0
        self._feed_forward()

    def aim(self, set_ul_s):
        """Set the flow to hold (uL/s); 0 stops the pump at once. What the integral has learnt stays."""
        if set_ul_s == self.set_ul_s:
            return
        if set_ul_s == 0 or self.set_ul_s == 0:
            # A new run begins with no memory of the last one: the fluid may be another's.
            self._duty_ppm = 0
            self._integral_ppm = 0
            self._rest = 0
        self.set_ul_s = set_ul_s
        self._feed_forward()

    def _feed_forward(self):
        # 20000 uL/s * 50000 is just below 2**30, so full duty is reckoned in steps of 20 ppm.
        ppm = self.set_ul_s * 50000 // self._full_ul_s * 20
        self._feedforward_ppm = ppm if ppm < _FULL_PPM else _FULL_PPM

    def update(self, flow_ul_s, measured, dt_ms):
        """One step of `dt_ms`. While flow is not `measured` the output goes to the feedforward, or lower."""
        if self.set_ul_s == 0:
            self.duty_permille = 0
            self.at_limit = False
            return
        if dt_ms > _DT_MAX_MS:
            dt_ms = _DT_MAX_MS
        if measured:
            self._regulate(flow_ul_s, dt_ms)
        else:
            held = self._feedforward_ppm + (self._integral_ppm if self._integral_ppm < 0 else 0)
            self._approach(held, dt_ms)
        self.duty_permille = (self._duty_ppm + 500) // 1000
        self.at_limit = self._duty_ppm >= self._max_ppm

    def fix(self, duty_permille, dt_ms):
        """One step of `dt_ms` towards a duty chosen by hand; the controller would go on from there."""
        self._approach(duty_permille * 1000, dt_ms if dt_ms < _DT_MAX_MS else _DT_MAX_MS)
        self._integral_ppm = self._duty_ppm - self._feedforward_ppm
        self._rest = 0
        self.duty_permille = (self._duty_ppm + 500) // 1000
        self.at_limit = self._duty_ppm >= self._max_ppm

    def _regulate(self, flow_ul_s, dt_ms):
        if flow_ul_s > 60000:
            flow_ul_s = 60000
        proportional = self._gain * (self.set_ul_s - flow_ul_s)
        if proportional > _FULL_PPM:
            proportional = _FULL_PPM
        elif proportional < -_FULL_PPM:
            proportional = -_FULL_PPM
        wanted = self._feedforward_ppm + proportional + self._integral_ppm
        reached = self._approach(wanted, dt_ms)
        # Integrate only if that does not push further into whatever holds the output back.
        if reached == 0 or (reached > 0) != (proportional > 0):
            change = self._rest + proportional * dt_ms
            step = change // self._integral_ms
            self._rest = change - step * self._integral_ms
            integral = self._integral_ppm + step
            self._integral_ppm = (
                _FULL_PPM if integral > _FULL_PPM else (-_FULL_PPM if integral < -_FULL_PPM else integral)
            )

    def _approach(self, wanted, dt_ms):
        """Move the duty towards `wanted` within limits; 1 or -1 when held below or above, 0 when there."""
        target = wanted
        if target > self._max_ppm:
            target = self._max_ppm
        elif target < self._min_ppm:
            target = self._min_ppm
        most = self._slew_permille_s * dt_ms
        duty = self._duty_ppm
        if target > duty + most:
            target = duty + most
        elif target < duty - most:
            target = duty - most
        self._duty_ppm = target
        return 1 if target < wanted else (-1 if target > wanted else 0)
