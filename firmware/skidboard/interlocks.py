"""The interlocks: rules that stop the pump, apart from the controller and the sampling cycle.

They see only inputs and measurements. They are not a safety function: the stop
chain and the pressure switch must cut the pump's supply in hardware as well.

Which setting gives each rule its time, and which states it watches, is in the
host's `skidwright.meanings.interlocks`, from which `docs/faults.md` is generated.
"""

from skidboard import faults

INPUT_STOP = 1
INPUT_OVER_PRESSURE = 2

# Fluid goes on moving for a moment after the pump has stopped.
RUN_DOWN_MS = 3000
# A leaking valve gives pulse after pulse; pulses further apart than this are vibration or thermal creep.
LEAK_GAP_MS = 60000
HOT_MS = 2000
HOT_HYSTERESIS_CDEG = 300
LIMIT_CLEAR_MS = 5000
# More flow than this many times what the pump gives at full duty is none: noise on the meter's wire.
METER_TIMES = 3
METER_BAD_MS = 500
SENSOR_BAD_MS = 1000
SENSOR_GOOD_MS = 10000
# Bits of the setting `stop_also`: faults that stop the pump only where that is wanted.
ALSO_WATER = 1
ALSO_TEMP = 2
ALSO_DUTY = 4
ALSO_COUNTER = 8
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


class InTime:
    """The rule that flow has to be purged and settled in its band in time, or else the cycle is given up."""

    def __init__(self):
        self._band_ms = 0
        self.configure(8000, 600, 180)

    def configure(self, settle_ms, prime_limit_s, settle_limit_s):
        """Take the settings."""
        self._settle_ms = settle_ms
        self._prime_limit_ms = prime_limit_s * 1000
        self._settle_limit_ms = settle_limit_s * 1000

    def begin(self):
        """A cycle begins."""
        self._band_ms = 0

    def late_to_purge(self, state_ms):
        """True when the purge has taken too long."""
        return state_ms >= self._prime_limit_ms

    def settled(self, in_band, dt_ms):
        """Take one tick of settling; True once flow has stayed in its band for long enough."""
        self._band_ms = self._band_ms + dt_ms if in_band else 0
        return self._band_ms >= self._settle_ms

    def late_to_settle(self, state_ms):
        """True when settling has taken too long."""
        return state_ms >= self._settle_limit_ms


class Interlocks:
    """After each `update()`: `active`, the fault bits whose cause is present now, and of these `stopping`,
    which stop the pump."""  # fmt: skip

    def __init__(self):
        self.active = 0
        self.stopping = 0
        self.leaked_ul = 0
        self._run_ms = 0
        self._silent_ms = 0
        self._off_ms = _LONG_MS
        self._leak_silent_ms = LEAK_GAP_MS
        self._hot = Lasting(HOT_MS, HOT_MS)
        self._limit = Lasting(20000, LIMIT_CLEAR_MS)
        self._short = Lasting(20000, LIMIT_CLEAR_MS)
        self._water = Lasting(SENSOR_BAD_MS, SENSOR_GOOD_MS)
        self._temp = Lasting(SENSOR_BAD_MS, SENSOR_GOOD_MS)
        self._meter = Lasting(METER_BAD_MS)
        # Its driver has waited already; each moment without a counter is one that a sample lacks.
        self._counter = Lasting(0, SENSOR_GOOD_MS)
        self.configure(8000, 5000, 8500, 1800, 20000, ALSO_DUTY)

    def configure(
        self,
        no_flow_ms,
        unwanted_flow_ul,
        fluid_hot_cdeg,
        run_limit_s,
        duty_limit_ms,
        stop_also,
        full_ul_s=4000,
    ):
        """Take the settings."""
        self._no_flow_ms = no_flow_ms
        self._unwanted_flow_ul = unwanted_flow_ul
        self._fluid_hot_cdeg = fluid_hot_cdeg
        self._run_limit_ms = run_limit_s * 1000
        self._limit.on_ms = duty_limit_ms
        self._short.on_ms = duty_limit_ms
        self._most_ul_s = METER_TIMES * full_ul_s
        self._stop_short = stop_also & ALSO_DUTY
        self._stops = (
            faults.TRIPPING
            | (1 << faults.WATER_LOOP if stop_also & ALSO_WATER else 0)
            | (1 << faults.TEMP_SENSOR if stop_also & ALSO_TEMP else 0)
            | (1 << faults.COUNTER if stop_also & ALSO_COUNTER else 0)
        )

    def reset(self):
        """Forget the fluid that leaked and the time run; what is still wrong shows again."""
        self.leaked_ul = 0
        self._run_ms = 0
        self._silent_ms = 0

    def causes_present(self):
        """Fault bits of trips whose cause can be seen now; a reset has to wait for them to go."""
        past = 1 << faults.NO_FLOW | 1 << faults.RUN_TOO_LONG | 1 << faults.DUTY_AT_LIMIT | 1 << faults.METER
        if self._leak_silent_ms >= LEAK_GAP_MS:
            past |= 1 << faults.UNWANTED_FLOW
        return self.stopping & ~past

    def update(
        self,
        dt_ms,
        inputs,
        running,
        at_limit,
        short,
        pulses,
        tick_ul,
        water_failed,
        temp_failed,
        temp_cdeg,
        flow_ul_s=0,
        counter_failed=False,
    ):
        """Take one tick: inputs; pump driven or wanted, at its duty limit, flow short of its band; pulses and
        volume from the meter; sensors failed; fluid temperature (None when there is no reading);
        flow as it is measured; the counter's driver without a reading."""
        active = 0
        if inputs & INPUT_STOP:
            active |= 1 << faults.STOP_INPUT
        if inputs & INPUT_OVER_PRESSURE:
            active |= 1 << faults.OVER_PRESSURE
        active |= self._pumping(dt_ms, pulses) if running else self._resting(dt_ms, pulses, tick_ul)
        if self._too_hot(dt_ms, temp_failed, temp_cdeg):
            active |= 1 << faults.FLUID_HOT
        # With the pump off the rule for unwanted flow sees such pulses.
        if self._meter.update(running and flow_ul_s > self._most_ul_s, dt_ms):
            active |= 1 << faults.METER
        at_limit = running and at_limit
        if self._limit.update(at_limit, dt_ms):
            active |= 1 << faults.DUTY_AT_LIMIT
        if self._water.update(water_failed, dt_ms):
            active |= 1 << faults.WATER_LOOP
        if self._temp.update(temp_failed, dt_ms):
            active |= 1 << faults.TEMP_SENSOR
        if self._counter.update(counter_failed, dt_ms):
            active |= 1 << faults.COUNTER
        stopping = active & self._stops
        if self._short.update(at_limit and short, dt_ms) and self._stop_short:
            stopping |= 1 << faults.DUTY_AT_LIMIT
        self.active = active
        self.stopping = stopping

    def _pumping(self, dt_ms, pulses):
        self._off_ms = 0
        self.leaked_ul = 0
        self._leak_silent_ms = LEAK_GAP_MS
        if self._run_ms < _LONG_MS:
            self._run_ms += dt_ms
        if pulses:
            self._silent_ms = 0
        elif self._silent_ms < _LONG_MS:
            self._silent_ms += dt_ms
        active = 0
        if self._silent_ms >= self._no_flow_ms:
            active = 1 << faults.NO_FLOW
        if self._run_ms >= self._run_limit_ms:
            active |= 1 << faults.RUN_TOO_LONG
        return active

    def _resting(self, dt_ms, pulses, tick_ul):
        self._run_ms = 0
        self._silent_ms = 0
        if self._off_ms < RUN_DOWN_MS:
            self._off_ms += dt_ms
            return 0
        if pulses:
            self._leak_silent_ms = 0
            if self.leaked_ul < _LONG_MS:
                self.leaked_ul += tick_ul
        elif self._leak_silent_ms < LEAK_GAP_MS:
            self._leak_silent_ms += dt_ms
        elif self.leaked_ul < self._unwanted_flow_ul:
            self.leaked_ul = 0
        return 1 << faults.UNWANTED_FLOW if self.leaked_ul >= self._unwanted_flow_ul else 0

    def _too_hot(self, dt_ms, temp_failed, temp_cdeg):
        if self._fluid_hot_cdeg == 0:
            return self._hot.update(False, dt_ms)
        if temp_failed:
            # Heat may be what broke the sensor: hot stays hot until a sensor says otherwise.
            return self._hot.active
        limit = self._fluid_hot_cdeg
        if self._hot.active:
            limit -= HOT_HYSTERESIS_CDEG
        return self._hot.update(temp_cdeg is not None and temp_cdeg > limit, dt_ms)
