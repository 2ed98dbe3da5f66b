"""The interlocks: rules that stop the pump, apart from the controller and the sampling cycle.

They see only inputs and measurements. They are not a safety function: the stop
chain and the pressure switch must cut the pump's supply in hardware as well.
"""

from skidboard import faults

INPUT_STOP = 1
INPUT_OVER_PRESSURE = 2

# Fluid goes on moving for a moment after the pump has stopped.
_RUN_DOWN_MS = 3000
# A leaking valve gives pulse after pulse; pulses further apart than this are vibration or thermal creep.
_LEAK_GAP_MS = 60000
_HOT_MS = 2000
_HOT_HYSTERESIS_CDEG = 300
_LIMIT_CLEAR_MS = 5000
_SENSOR_BAD_MS = 1000
_SENSOR_GOOD_MS = 10000
_LONG_MS = 1 << 28


class Lasting:
    """True once a condition has held for `on_ms`, and until it has been gone for `off_ms`."""

    def __init__(self, on_ms, off_ms=0):
        self.on_ms = on_ms
        self.off_ms = off_ms
        self.active = False
        self._for_ms = 0

    def update(self, condition, dt_ms):
        """Take the condition as it is now; return `active`."""
        if bool(condition) == self.active:
            self._for_ms = 0
        else:
            self._for_ms += dt_ms
            if self._for_ms >= (self.off_ms if self.active else self.on_ms):
                self.active = not self.active
                self._for_ms = 0
        return self.active


class Interlocks:
    """`active` holds the fault bits whose cause is present now, after each `update()`."""

    def __init__(self):
        self.active = 0
        self.leaked_ul = 0
        self._driven_ms = 0
        self._silent_ms = 0
        self._off_ms = _LONG_MS
        self._leak_silent_ms = 0
        self._hot = Lasting(_HOT_MS, _HOT_MS)
        self._limit = Lasting(20000, _LIMIT_CLEAR_MS)
        self._water = Lasting(_SENSOR_BAD_MS, _SENSOR_GOOD_MS)
        self._temp = Lasting(_SENSOR_BAD_MS, _SENSOR_GOOD_MS)
        self.configure(8000, 5000, 8500, 1800, 20000)

    def configure(self, no_flow_ms, unwanted_flow_ul, fluid_hot_cdeg, run_limit_s, duty_limit_ms):
        """Take the settings."""
        self._no_flow_ms = no_flow_ms
        self._unwanted_flow_ul = unwanted_flow_ul
        self._fluid_hot_cdeg = fluid_hot_cdeg
        self._run_limit_ms = run_limit_s * 1000
        self._limit.on_ms = duty_limit_ms

    def reset(self):
        """Forget the fluid that leaked and the time run; what is still wrong shows again."""
        self.leaked_ul = 0
        self._driven_ms = 0
        self._silent_ms = 0

    def update(self, dt_ms, inputs, driven, at_limit, pulses, tick_ul, water_failed, temp_failed, temp_cdeg):
        """Take one tick: inputs, pump driven (and at its duty limit), pulses and volume from the meter,
        failed sensors, fluid temperature (None when there is no reading)."""  # fmt: skip
        active = 0
        if inputs & INPUT_STOP:
            active |= 1 << faults.STOP_INPUT
        if inputs & INPUT_OVER_PRESSURE:
            active |= 1 << faults.OVER_PRESSURE
        if driven:
            active |= self._pumping(dt_ms, pulses)
        else:
            active |= self._resting(dt_ms, pulses, tick_ul)
        if self._too_hot(dt_ms, temp_cdeg):
            active |= 1 << faults.FLUID_HOT
        if self._limit.update(driven and at_limit, dt_ms):
            active |= 1 << faults.DUTY_AT_LIMIT
        if self._water.update(water_failed, dt_ms):
            active |= 1 << faults.WATER_LOOP
        if self._temp.update(temp_failed, dt_ms):
            active |= 1 << faults.TEMP_SENSOR
        self.active = active

    def _pumping(self, dt_ms, pulses):
        self._off_ms = 0
        self.leaked_ul = 0
        if self._driven_ms < _LONG_MS:
            self._driven_ms += dt_ms
        if pulses:
            self._silent_ms = 0
        elif self._silent_ms < _LONG_MS:
            self._silent_ms += dt_ms
        active = 0
        if self._silent_ms >= self._no_flow_ms:
            active = 1 << faults.NO_FLOW
        if self._driven_ms >= self._run_limit_ms:
            active |= 1 << faults.RUN_TOO_LONG
        return active

    def _resting(self, dt_ms, pulses, tick_ul):
        self._driven_ms = 0
        self._silent_ms = 0
        if self._off_ms < _RUN_DOWN_MS:
            self._off_ms += dt_ms
            return 0
        if pulses:
            self._leak_silent_ms = 0
            if self.leaked_ul < _LONG_MS:
                self.leaked_ul += tick_ul
        elif self._leak_silent_ms < _LEAK_GAP_MS:
            self._leak_silent_ms += dt_ms
        elif self.leaked_ul < self._unwanted_flow_ul:
            self.leaked_ul = 0
        return 1 << faults.UNWANTED_FLOW if self.leaked_ul >= self._unwanted_flow_ul else 0

    def _too_hot(self, dt_ms, temp_cdeg):
        if self._fluid_hot_cdeg == 0 or temp_cdeg is None:
            return self._hot.update(False, dt_ms)
        limit = self._fluid_hot_cdeg
        if self._hot.active:
            limit -= _HOT_HYSTERESIS_CDEG
        return self._hot.update(temp_cdeg > limit, dt_ms)
