"""One control step from inputs to outputs: measure, check, decide, drive.

It knows nothing of the log and the link. `step()` allocates nothing and never waits.
"""

from skidboard import drivers, faults
from skidboard.cleanup import CleanUp
from skidboard.controller import FlowController
from skidboard.counters import Counters
from skidboard.current_loop import LOOP_FAILED, CurrentLoop
from skidboard.flow import Flow
from skidboard.interlocks import Interlocks
from skidboard.meter_table import MeterTable
from skidboard.sample import COUNTERS, Sample
from skidboard.sequence import COUNT, PRIME, SAMPLED, TRIPPED, Sequence
from skidboard.tachometer import Tachometer
from skidboard.thermistor import Thermistor
from skidboard.ticks import ticks_diff
from skidboard.trace import Trace

OUT_STORED = 1 << 8
OUT_FAULT = 1 << 9
_STEP_MAX_MS = 60000
# Flow in percent of what the pump gives at its duty: so far off, the meter's pulses are worth something else.
_FAR_ABOVE_PERCENT = 400
_FAR_BELOW_PERCENT = 25
_FLOW_MOST = 10000000


class Process:
    """The parts of the skid's control, wired together.

    After `step()`: `faults`, all fault bits present or latched; `now_ms`, the tick's time. `temp` is the
    temperature sensor in use, or None. `driver` reads the counter, None where the board counts its pulses;
    `coded` is the driver where it gives a code and no counts, else None.
    """

    def __init__(self, board):
        self.faults = 0
        self.temp = None
        self.driver = None
        self.coded = None
        self._driver_number = drivers.PULSES
        self.flow = Flow()
        self.meter_table = MeterTable()
        self.water = CurrentLoop(0, 10000)
        self.temp_loop = CurrentLoop(0, 10000)
        self.controller = FlowController()
        self.interlocks = Interlocks()
        self.sample = Sample()
        self.sequence = Sequence(self.flow, self.sample)
        self.tachometer = Tachometer()
        self.cleanup = CleanUp()
        self.outputs = 0
        self.trace = Trace()
        self.now_ms = board.ticks_ms()
        self._now_us = board.ticks_us()
        self._counters = Counters(COUNTERS)
        self._meter = Counters(1)
        self._meter_raw = [0]
        self._thermistor = Thermistor()
        self._of_pump_percent = 100

    def configure(self, settings):
        """Take the settings (a dictionary as of settings.py)."""
        s = settings
        self.flow.configure(s["meter_pulse_nl"], s["flow_low_ul_s"])
        self.meter_table.configure(
            s["meter_pulse_nl"], s["meter_table"], s["fluid_v40_dmm2_s"], s["fluid_v100_dmm2_s"]
        )
        self.water.configure(
            s["water_low_cpct"], s["water_high_cpct"], s["water_offset_ua"], s["water_gain_ppm"]
        )
        self.temp_loop.configure(
            s["temp_low_cdeg"], s["temp_high_cdeg"], s["temp_offset_ua"], s["temp_gain_ppm"]
        )
        self.temp = (None, self.temp_loop, self._thermistor)[s["temp_source"]]
        self.tachometer.configure(s["tachometer_pulses_rev"])
        self.controller.configure(
            s["pump_full_ul_s"],
            s["duty_min_permille"],
            s["duty_max_permille"],
            s["duty_slew_permille_s"],
            s["gain_ppm_per_ul_s"],
            s["integral_ms"],
            s["pump_slip_permille"],
            s["start_kick_permille"],
            s["no_flow_ms"] // 2,
        )
        self.interlocks.configure(
            s["no_flow_ms"],
            s["unwanted_flow_ul"],
            s["fluid_hot_cdeg"],
            s["run_limit_s"],
            s["duty_limit_ms"],
            s["stop_also"],
            s["pump_full_ul_s"],
        )
        self._full_ul_s = s["pump_full_ul_s"]
        if s["counter_driver"] != self._driver_number:
            self._driver_number = s["counter_driver"]
            self.driver = drivers.chosen(self._driver_number)
            self._counters = Counters(COUNTERS)
        self.coded = self.driver if self._driver_number == drivers.LOOP_CODES else None
        if self.coded is not None:
            self.coded.configure(s)
        self.sequence.configure(s)
        self.cleanup.configure(s)

    def step(self, board, own_faults, stored):
        """Read `board`, take one step, drive it. `own_faults` are the app's, `stored` lights its lamp."""
        board.refresh()
        now_ms = board.ticks_ms()
        now_us = board.ticks_us()
        before_us = self._now_us
        dt_ms = ticks_diff(now_ms, self.now_ms)
        if dt_ms < 0:
            dt_ms = 0
        elif dt_ms > _STEP_MAX_MS:
            dt_ms = _STEP_MAX_MS
        self.now_ms = now_ms
        self._now_us = now_us

        self._measure(board, now_us, dt_ms)
        flow = self.flow
        water = self.water
        temp = self.temp
        controller = self.controller
        sequence = self.sequence
        temp_failed = temp is not None and temp.state == LOOP_FAILED
        self.interlocks.update(
            dt_ms,
            board.inputs,
            # Wanted counts as driven: a controller that let go of the pump must not hide lost flow from them.
            sequence.set_ul_s > 0 or controller.duty_permille > 0,
            # While purging the set-point is only an aim, and by hand a person's duty may be the highest.
            controller.at_limit and sequence.state != PRIME and sequence.fixed_permille < 0,
            sequence.short,
            flow.pulses,
            flow.tick_ul,
            water.state == LOOP_FAILED,
            temp_failed,
            None if temp is None or temp_failed else temp.value,
            flow.value_ul_s,
            self.driver is not None and self.driver.failed,
        )
        duty = controller.duty_permille
        if duty and flow.moving:
            flow_ul_s = flow.value_ul_s if flow.value_ul_s < _FLOW_MOST else _FLOW_MOST
            self._of_pump_percent = flow_ul_s * 100 // (1 + self._full_ul_s * duty // 1000)
        active = self.interlocks.active
        stopping = self.interlocks.stopping
        sequence.step(dt_ms, self._counters.deltas, water, stopping, before_us, now_us, now_ms)
        self.cleanup.step(dt_ms, sequence.state == TRIPPED)
        self.faults = active | sequence.faults | own_faults
        duty = controller.duty_permille
        if sequence.state == COUNT or sequence.ended == SAMPLED:
            if sequence.fixed_permille >= 0:
                self.sample.fixed_duty = True
            if self.coded is not None:
                self.coded.follow(self.sample.counting)
            self.sample.observe(dt_ms, flow.steady_ul_s, sequence.in_band, water, temp, duty, self.faults)
            if sequence.ended == SAMPLED and self.sample.temp_cdeg.n:
                # One volume for all pulses of a count, so that it can be calculated again from the record.
                temps = self.sample.temp_cdeg
                self.sample.pulse_nl = self.meter_table.at((temps.lowest + temps.highest) >> 1)
        controller.aim(sequence.set_ul_s)
        if sequence.fixed_permille >= 0 and sequence.set_ul_s:
            controller.fix(sequence.fixed_permille, dt_ms)
        else:
            controller.update(flow.fine, flow.moving, dt_ms)
        board.set_pump(controller.duty_permille)
        self.trace.add(
            now_us, board.meter_edge_us, board.meter_count, flow.value_ul_s, controller.duty_permille
        )
        outputs = self.cleanup.outputs
        if sequence.valve >= 0:
            outputs |= 1 << sequence.valve
        if stored:
            outputs |= OUT_STORED
        if self.faults:
            outputs |= OUT_FAULT
        self.outputs = outputs
        board.set_outputs(outputs)

    def _measure(self, board, now_us, dt_ms):
        driver = self.driver
        if driver is None:
            self._counters.update(board.counts)
        else:
            driver.step(board, dt_ms)
            self._counters.update(driver.counts)
        self._meter_raw[0] = board.meter_count
        self._meter.update(self._meter_raw)
        self.flow.update(self._meter.deltas[0], board.meter_edge_us, now_us, dt_ms)
        self.tachometer.update(board.tacho_count, dt_ms)
        self.water.update(board.water_ua)
        self.temp_loop.update(board.temp_ua)
        self._thermistor.update(board.temp_ohm)
        if self.temp is not None and self.temp.state != LOOP_FAILED:
            self.flow.weigh(self.meter_table.at(self.temp.value))

    def measured(self, code):
        """The figure that goes with a fault number, and its unit."""
        if code == faults.NO_FLOW:
            return self.flow.silent_ms, "ms" + self._meter_words()
        if code == faults.UNWANTED_FLOW:
            return self.interlocks.leaked_ul, "uL"
        if code == faults.FLUID_HOT:
            return (self.temp.value if self.temp else 0), "0.01 degC"
        if code in (faults.BAND_NOT_REACHED, faults.METER):
            return self.flow.value_ul_s, "uL/s" + self._meter_words()
        if code == faults.DUTY_AT_LIMIT:
            return self.controller.duty_permille, "1/1000" + self._meter_words()
        if code in (faults.WATER_LOOP, faults.LOOP_UNSTEADY):
            return self.water.loop_ua, "uA"
        if code == faults.TEMP_SENSOR and self.temp is self.temp_loop:
            return self.temp_loop.loop_ua, "uA"
        if code == faults.COUNTER and self.driver is not None:
            return self.driver.silent_ms, self.driver.why()
        return 0, ""

    def _meter_words(self):
        """What is likely wrong when the meter's flow was far from what the pump gives at that duty."""
        percent = self._of_pump_percent
        if percent >= _FAR_ABOVE_PERCENT:
            return "; flow was %d times the pump's: meter_pulse_nl too large, or noise?" % (percent // 100)
        if percent <= _FAR_BELOW_PERCENT:
            return "; flow was %d %% of the pump's: meter_pulse_nl too small, or a choke?" % percent
        return ""
