"""The firmware's one loop: control tick, then records and the link, then wait for the next tick.

`tick()` allocates nothing and never waits. Everything slow (flash, cable,
building messages) comes after it in `service()` and `link.poll()`, and
`board.idle()` is the only place that waits.
"""

import gc
import json
import os

from skidboard import VERSION, faults, records
from skidboard import settings as settings_table
from skidboard.controller import FlowController
from skidboard.counters import Counters
from skidboard.current_loop import LOOP_FAILED, CurrentLoop
from skidboard.flow import Flow
from skidboard.interlocks import Interlocks
from skidboard.journal import Journal
from skidboard.link import Link
from skidboard.recorder import Recorder
from skidboard.sample import COUNTERS, Sample
from skidboard.sequence import COUNT, SAMPLED, SETTLE, SKIPPED, STATE_NAMES, TRIPPED, Sequence
from skidboard.thermistor import Thermistor
from skidboard.ticks import ticks_add, ticks_diff
from skidboard.timebase import Timebase

CONTROL_MS = 100
QUIET_MS = 1000

OUT_STORED = 1 << 8
OUT_FAULT = 1 << 9

LEFT_HOST = 0
LEFT_REPL = 1
LEFT_CRASH = 2

CAUSE_WATCHDOG = 2
_LAST_WORDS_MS = 500


class App:
    """The whole firmware on a board (see board/ for what a board offers). `run()` returns when the app has ended."""

    def __init__(self, board):
        self.board = board
        self.settings, problems = settings_table.load(board.settings_path)
        self.settings_crc = 0
        self.faults = 0
        self.leave_code = -1
        self._leave_text = ""
        self._own_faults = 1 << faults.SETTINGS_BAD if problems else 0
        self._reported = 0
        self._overwrote_seen = 0
        self.counters = Counters(COUNTERS)
        self.meter = Counters(1)
        self._meter_raw = [0]
        self.flow = Flow()
        self.water = CurrentLoop(0, 10000)
        self._temp_loop = CurrentLoop(0, 10000)
        self._thermistor = Thermistor()
        self.temp = None
        self.controller = FlowController()
        self.interlocks = Interlocks()
        self.sample = Sample()
        self.sequence = Sequence(self.flow, self.sample)
        self._now_ms = board.ticks_ms()
        self._now_us = board.ticks_us()
        self.timebase = Timebase(self._now_ms)
        self.journal = Journal(
            board.log_dir, board.device_id, board.random_u32, self.settings["log_segments"]
        )
        self.timebase.boot = self.journal.open()
        self.recorder = Recorder(self, self.journal, self.timebase)
        self._configure()
        self.link = Link(self, board)
        self._record_boot(problems)
        if self.settings["autostart"]:
            self.sequence.start()

    def _record_boot(self, problems):
        gc.collect()
        free = gc.mem_free() if hasattr(gc, "mem_free") else 0
        cause = self.board.reset_cause()
        if cause == CAUSE_WATCHDOG:
            self._own_faults |= 1 << faults.WATCHDOG
        text = "skidboard %s" % VERSION
        utc_ms = self.board.utc_ms() or 0
        self.recorder.event(records.BOOT, cause, a=self.settings_crc, b=free >> 10, utc_ms=utc_ms, text=text)
        for problem in problems:
            self.recorder.event(records.MARK, text=problem)

    def _configure(self):
        s = self.settings
        self.settings_crc = settings_table.digest(s)
        self.flow.configure(s["meter_pulse_nl"], s["flow_low_ul_s"])
        self.water.configure(s["water_low_cpct"], s["water_high_cpct"])
        self._temp_loop.configure(s["temp_low_cdeg"], s["temp_high_cdeg"])
        self.temp = (None, self._temp_loop, self._thermistor)[s["temp_source"]]
        self.controller.configure(
            s["pump_full_ul_s"], s["duty_min_permille"], s["duty_max_permille"], s["duty_slew_permille_s"],
            s["gain_ppm_per_ul_s"], s["integral_ms"],
        )  # fmt: skip
        self.interlocks.configure(
            s["no_flow_ms"], s["unwanted_flow_ul"], s["fluid_hot_cdeg"], s["run_limit_s"], s["duty_limit_ms"]
        )
        self.sequence.configure(s)
        self.journal.segments_max = s["log_segments"]

    def asset(self):
        """The asset number whose turn it is, or was last."""
        return self.settings["assets"][self.sequence.place]

    # -- the control tick -------------------------------------------------------------------------

    def tick(self):
        """Measure, check, decide, drive: one control step. Allocates nothing."""
        board = self.board
        board.refresh()
        now_ms = board.ticks_ms()
        now_us = board.ticks_us()
        before_us = self._now_us
        dt_ms = ticks_diff(now_ms, self._now_ms)
        if dt_ms < 0:
            dt_ms = 0
        elif dt_ms > 60000:
            dt_ms = 60000
        self._now_ms = now_ms
        self._now_us = now_us
        self.timebase.advance(now_ms)

        counters = self.counters
        flow = self.flow
        water = self.water
        temp = self.temp
        controller = self.controller
        sequence = self.sequence
        counters.update(board.counts)
        self._meter_raw[0] = board.meter_count
        self.meter.update(self._meter_raw)
        flow.update(self.meter.deltas[0], board.meter_edge_us, now_us, dt_ms)
        water.update(board.water_ua)
        self._temp_loop.update(board.temp_ua)
        self._thermistor.update(board.temp_ohm)
        temp_failed = temp is not None and temp.state == LOOP_FAILED
        temp_cdeg = None if temp is None or temp_failed else temp.value

        driven = controller.duty_permille > 0
        self.interlocks.update(
            dt_ms, board.inputs, driven, controller.at_limit, flow.pulses, flow.tick_ul,
            water.state == LOOP_FAILED, temp_failed, temp_cdeg,
        )  # fmt: skip
        sequence.step(dt_ms, counters.deltas, water, self.interlocks.active, before_us, now_us, now_ms)
        self.faults = self.interlocks.active | sequence.faults | self._own_faults
        if sequence.state == COUNT or sequence.ended == SAMPLED:
            self.sample.observe(
                dt_ms, flow.value_ul_s, sequence.in_band, water, temp, controller.duty_permille, self.faults
            )
        controller.aim(sequence.set_ul_s)
        controller.update(flow.value_ul_s, flow.moving, dt_ms)
        board.set_pump(controller.duty_permille)
        outputs = 1 << sequence.valve if sequence.valve >= 0 else 0
        if self.recorder.sample_stored:
            outputs |= OUT_STORED
        if self.faults:
            outputs |= OUT_FAULT
        board.set_outputs(outputs)
        board.feed()

    # -- what may take its time ---------------------------------------------------------------------

    def service(self):
        """Write the records that the last tick gave rise to."""
        sequence = self.sequence
        if sequence.ended == SAMPLED:
            self.recorder.sample(self.sample, self._now_ms)
            self._own_faults &= ~(1 << faults.WATCHDOG)
        elif sequence.ended == SKIPPED:
            code = sequence.ended_code
            text = "by command" if code >= len(faults.NAMES) else faults.NAMES[code]
            self.recorder.event(records.SKIPPED, code, text=text)
        sequence.ended = 0
        if sequence.trip_code >= 0:
            self.recorder.event(
                records.TRIP,
                sequence.trip_code,
                state=sequence.trip_from,
                text=faults.NAMES[sequence.trip_code],
            )
            sequence.trip_code = -1
        self._watch_storage()
        changed = self.faults ^ self._reported
        if changed:
            self._report(changed)

    def _watch_storage(self):
        own = self._own_faults & ~(1 << faults.STORAGE | 1 << faults.LOG_OVERWROTE)
        if self.journal.problem:
            own |= 1 << faults.STORAGE
        if self.journal.overwrote != self._overwrote_seen:
            own |= 1 << faults.LOG_OVERWROTE
        self._own_faults = own
        self.faults = self.interlocks.active | self.sequence.faults | own

    def _report(self, changed):
        for code in range(len(faults.NAMES)):
            if changed >> code & 1:
                raised = self.faults >> code & 1
                value, unit = self._measured(code)
                self.recorder.event(
                    records.FAULT_RAISED if raised else records.FAULT_CLEARED, code, a=abs(value), text=unit
                )
        self._reported = self.faults

    def _measured(self, code):
        """The figure that goes with a fault, and its unit."""
        if code == faults.NO_FLOW:
            return self.flow.silent_ms, "ms"
        if code == faults.UNWANTED_FLOW:
            return self.interlocks.leaked_ul, "uL"
        if code == faults.FLUID_HOT:
            return (self.temp.value if self.temp else 0), "0.01 degC"
        if code == faults.BAND_NOT_REACHED:
            return self.flow.value_ul_s, "uL/s"
        if code == faults.DUTY_AT_LIMIT:
            return self.controller.duty_permille, "1/1000"
        if code in (faults.WATER_LOOP, faults.LOOP_UNSTEADY):
            return self.water.loop_ua, "uA"
        if code == faults.TEMP_SENSOR and self.temp is self._temp_loop:
            return self._temp_loop.loop_ua, "uA"
        if code == faults.LOG_OVERWROTE:
            return self.journal.overwrote, "records"
        if code == faults.STORAGE:
            return self.journal.lost, self.journal.problem or "records lost"
        return 0, ""

    def run(self):
        """The loop. Ends after `leave()`, with the pump safe and a LEAVE record written."""
        board = self.board
        if self.settings["watchdog_ms"]:
            board.start_watchdog(self.settings["watchdog_ms"])
        due_ms = board.ticks_ms()
        while self.leave_code < 0:
            self.tick()
            self.service()
            period_ms = CONTROL_MS if self.sequence.set_ul_s or self.controller.duty_permille else QUIET_MS
            due_ms = ticks_add(due_ms, period_ms)
            if ticks_diff(due_ms, self._now_ms) <= 0:
                due_ms = ticks_add(self._now_ms, period_ms)
            while self.leave_code < 0:
                busy = self.link.poll()
                left_ms = ticks_diff(due_ms, board.ticks_ms())
                if left_ms <= 0 or self._wakened(period_ms):
                    break
                if not busy:
                    board.idle(left_ms)
        self._last_words()

    def _wakened(self, period_ms):
        """True when a command has started the pump's cycle while the loop still ticks slowly."""
        return period_ms == QUIET_MS and self.sequence.set_ul_s > 0

    def _last_words(self):
        board = self.board
        board.safe()
        self.timebase.advance(board.ticks_ms())
        self.sequence.stop()
        self.service()
        self.recorder.event(records.LEAVE, self.leave_code, text=self._leave_text)
        # The answer to whoever asked should still get out.
        due_ms = ticks_add(board.ticks_ms(), _LAST_WORDS_MS)
        while self.link.poll() and ticks_diff(due_ms, board.ticks_ms()) > 0:
            board.feed()

    # -- asked by the link ----------------------------------------------------------------------------

    def leave(self, code, text=""):
        """End the app at the end of this turn of the loop: 0 a host asked, 1 mpremote came, 2 crash."""
        self._leave_text = text
        self.leave_code = code

    def record_crash(self, text):
        """Write a LEAVE record after the loop has broken down."""
        self.recorder.event(records.LEAVE, LEFT_CRASH, text=text)

    def command(self, text):
        """Carry out "start", "stop", "reset" or "mark TEXT"; None, or one line that says why not."""
        sequence = self.sequence
        if text == "start":
            if sequence.state == TRIPPED:
                return "start: the skid is tripped (%s); reset it first" % ", ".join(
                    faults.names(sequence.faults)
                )
            if sequence.set_ul_s:
                return "start: a cycle is running already"
            sequence.start()
        elif text == "stop":
            sequence.stop()
            self.board.set_pump(0)
        elif text == "reset":
            return self._reset()
        elif text.startswith("mark ") and text[5:].strip():
            if self.recorder.event(records.MARK, text=text[5:].strip()) < 0:
                return "mark: %s" % self.journal.problem
        else:
            return "%s: not a command; there are start, stop, reset, mark TEXT" % (
                text.split(" ")[0] or "(empty)"
            )
        return None

    def _reset(self):
        if self.sequence.state != TRIPPED:
            return "reset: the skid is not tripped"
        self.interlocks.reset()
        self._own_faults &= ~(1 << faults.WATCHDOG)
        present = (
            self.interlocks.active & faults.TRIPPING & ~(1 << faults.UNWANTED_FLOW | 1 << faults.NO_FLOW)
        )
        if not self.sequence.reset(present):
            return "reset: %s is still there" % ", ".join(faults.names(present))
        return None

    def contact(self, utc_ms, uncertainty_ms, stored_seq, text):
        """A host tells the time and what it holds safely: (sequence number of the record, uptime_ms)."""
        self.timebase.advance(self.board.ticks_ms())
        uptime_ms = self.timebase.uptime_ms()
        self.journal.set_stored(stored_seq)
        self._overwrote_seen = self.journal.overwrote
        seq = self.recorder.event(
            records.CONTACT, a=uncertainty_ms, b=self.journal.stored_seq, utc_ms=utc_ms, text=text
        )
        return seq, uptime_ms

    def put_settings(self, values):
        """Put settings in force and store them: (number changed, None), or (0, one line that says why not)."""
        whole = dict(self.settings)
        whole.update(values)
        problems = settings_table.check_all(whole)
        if problems:
            return 0, problems[0]
        changed = [name for name in sorted(values) if values[name] != self.settings[name]]
        if not changed and not self._own_faults >> faults.SETTINGS_BAD & 1:
            return 0, None
        try:
            self._store_settings(whole)
        except OSError as error:
            return 0, "settings: could not be stored (error %s)" % error.args[0]
        self.sequence.abandon()
        self.service()
        old = self.settings
        self.settings = whole
        self._configure()
        self._own_faults &= ~(1 << faults.SETTINGS_BAD)
        for name in changed:
            text = "%s %s > %s" % (name, old[name], whole[name])
            self.recorder.event(records.SETTING, a=self.settings_crc, text=text)
        return len(changed), None

    def _store_settings(self, values):
        path = self.board.settings_path
        with open(path + ".new", "w") as f:
            json.dump(values, f)
        os.rename(path + ".new", path)

    def status(self):
        """The state of things, as a table for a host (units in the names)."""
        sequence = self.sequence
        journal = self.journal
        temp = self.temp
        counting = sequence.state == COUNT
        return {
            "state": STATE_NAMES[sequence.state],
            "faults": faults.names(self.faults),
            "asset": self.asset(),
            "run": self.settings["run"],
            "flow_ul_s": self.flow.value_ul_s,
            "set_ul_s": sequence.set_ul_s,
            "in_band": sequence.in_band,
            "duty_permille": self.controller.duty_permille,
            "counts": self.sample.counts if counting else [0] * COUNTERS,
            "volume_ul": self.sample.pulses * self.sample.pulse_nl // 1000 if counting else 0,
            "sample_volume_ul": self.settings["sample_volume_ul"],
            "purged_ul": self.sample.purge_ul if sequence.set_ul_s else 0,
            "water_ua": self.water.loop_ua,
            "water_cpct": self.water.value,
            "water_state": self.water.state,
            "temp_cdeg": temp.value if temp else 0,
            "temp_state": temp.state if temp else LOOP_FAILED,
            "uptime_ms": self.timebase.uptime_ms(),
            "boot": self.timebase.boot,
            "next_sample_s": sequence.seconds_to_next(),
            "samples": self.recorder.samples,
            "stored": self.recorder.sample_stored,
            "log_segments": journal.segment_last - journal.segment_first + 1,
            "log_segments_max": journal.segments_max,
            "stored_seq": journal.stored_seq,
            "next_seq": journal.next_seq,
            "records_lost": journal.lost,
            "settings_crc": self.settings_crc,
            "settling_ms": sequence.state_ms if sequence.state == SETTLE else 0,
        }
