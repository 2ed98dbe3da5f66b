"""The firmware's one loop: control tick, then records and the link, then wait for the next tick.

`tick()` allocates nothing and never waits. Everything slow (flash, cable,
building messages) comes after it in `service()` and `link.poll()`, and
`board.idle()` is the only place that waits.
"""

import gc

from skidboard import VERSION, by_hand, cleanup, commands, faults, log_key, records
from skidboard import settings as settings_table
from skidboard.journal import Journal
from skidboard.link import STALLED, Link
from skidboard.process import Process
from skidboard.recorder import Recorder
from skidboard.sequence import SAMPLED, SKIPPED
from skidboard.settings_log import SettingsLog
from skidboard.status import status
from skidboard.ticks import ticks_add, ticks_diff
from skidboard.timebase import Timebase

CONTROL_MS = 100
QUIET_MS = 1000
# Garbage, in bytes as far as it can be guessed, after which it is collected when that much time is left.
COLLECT_AFTER = 32768
COLLECT_MS = 50

LEFT_HOST = 0
LEFT_REPL = 1
LEFT_CRASH = 2

_CAUSE_WATCHDOG = 2
_LAST_WORDS_MS = 500


class App:
    """The whole firmware on a board (see board/ for what a board offers).

    `run()` returns when the app has ended. The link reads `settings` and calls `status`, `command`,
    `contact`, `put_settings` and `leave`.
    """

    def __init__(self, board):
        self.board = board
        # First of all: its buffers are the largest stretches of memory that have to be found.
        self.link = Link(self, board)
        self.settings, problems = settings_table.load(board.settings_path)
        key, wrong = log_key.load(board.settings_path)
        problems = problems + wrong
        self.settings_crc = 0
        self.leave_code = -1
        self.watched = False
        self._leave_text = ""
        self._own_faults = 1 << faults.SETTINGS_BAD if problems else 0
        self._reported = 0
        self._overwrote_seen = 0
        self._by_hand_seen = False
        self.process = Process(board)
        self.sequence = self.process.sequence
        self.timebase = Timebase(board.ticks_ms())
        self.journal = Journal(
            board.log_dir, board.device_id, board.random_u32, self.settings["log_segments"], key
        )
        self.timebase.boot = self.journal.open()
        self.recorder = Recorder(self, self.journal, self.timebase)
        self._configure()
        self.settings_log = SettingsLog(self)
        self.recorder.last_sample(self.sequence.purge)
        self._record_boot(problems)
        self.settings_log.begin()
        cleanup.after_start(self)
        if self.settings["autostart"]:
            self.sequence.start()

    def _record_boot(self, problems):
        gc.collect()
        self.timebase.advance(self.board.ticks_ms())
        free = gc.mem_free() if hasattr(gc, "mem_free") else 0
        cause = self.board.reset_cause()
        if cause == _CAUSE_WATCHDOG:
            self._own_faults |= 1 << faults.WATCHDOG
        self.recorder.event(
            records.BOOT,
            cause,
            a=self.settings_crc,
            b=free >> 10,
            utc_ms=self.board.utc_ms() or 0,
            text="skidboard %s" % VERSION,
        )
        for problem in problems:
            self.recorder.event(records.MARK, text=problem)

    def _configure(self):
        self.settings_crc = settings_table.digest(self.settings)
        self.board.configure(self.settings)
        self.process.configure(self.settings)
        self.journal.segments_max = self.settings["log_segments"]

    def asset(self):
        """The asset number whose turn it is, or was last."""
        return self.settings["assets"][self.sequence.place]

    # -- the loop -----------------------------------------------------------------------------------

    def tick(self):
        """One control step. Allocates nothing."""
        process = self.process
        process.step(self.board, self._own_faults, self.recorder.sample_stored)
        self.timebase.advance(process.now_ms)
        self.board.feed()

    def service(self):
        """Write the records that the last tick gave rise to."""
        sequence = self.sequence
        if sequence.ended == SAMPLED:
            self.recorder.sample(self.process.sample, self.process.now_ms)
            if self.process.cleanup.running:
                self.process.cleanup.take(self.process.sample, self.recorder.sample_stored)
            self._own_faults &= ~(1 << faults.WATCHDOG)
        elif sequence.ended == SKIPPED:
            code = sequence.ended_code
            text = "by command" if code >= len(faults.NAMES) else faults.NAMES[code]
            self.recorder.event(records.SKIPPED, code, text=text)
        sequence.ended = 0
        if sequence.trip_code >= 0:
            code = sequence.trip_code
            sequence.trip_code = -1
            self.recorder.event(records.TRIP, code, state=sequence.trip_from, text=faults.NAMES[code])
        if self.process.cleanup.over:
            cleanup.finish(self)
        if sequence.by_hand() != self._by_hand_seen:
            self._by_hand_seen = not self._by_hand_seen
            by_hand.record(self, self._by_hand_seen)
        self._watch_storage()
        self.settings_log.step()
        present = self.process.faults | self._own_faults
        if present != self._reported:
            self._report(present)

    def _watch_storage(self):
        own = self._own_faults & ~(1 << faults.STORAGE | 1 << faults.LOG_OVERWROTE)
        if self.journal.problem or self.journal.notice:
            own |= 1 << faults.STORAGE
        if self.journal.overwrote != self._overwrote_seen:
            own |= 1 << faults.LOG_OVERWROTE
        cleared = self._own_faults & ~own
        self._own_faults = own
        self.process.faults = self.process.faults & ~cleared | own

    def _report(self, present):
        changed = present ^ self._reported
        self._reported = present
        for code in range(len(faults.NAMES)):
            if changed >> code & 1:
                if code == faults.LOG_OVERWROTE:
                    value, unit = self.journal.overwrote, "records"
                elif code == faults.STORAGE:
                    value = self.journal.lost
                    unit = self.journal.problem or self.journal.notice or "records lost"
                else:
                    value, unit = self.process.measured(code)
                kind = records.FAULT_RAISED if present >> code & 1 else records.FAULT_CLEARED
                rpm = self.process.tachometer.speed_rpm
                self.recorder.event(kind, code, a=abs(value), b=rpm, text=unit)

    def run(self):
        """The loop. Ends after `leave()`, with the pump safe and a LEAVE record written."""
        board = self.board
        self.watched = self.settings["watchdog_ms"] > 0
        if self.watched:
            board.start_watchdog(self.settings["watchdog_ms"])
        due_ms = board.ticks_ms()
        while self.leave_code < 0:
            self.tick()
            self.service()
            period_ms = CONTROL_MS if self.sequence.set_ul_s else QUIET_MS
            due_ms = ticks_add(due_ms, period_ms)
            if ticks_diff(due_ms, self.process.now_ms) <= 0:
                due_ms = ticks_add(self.process.now_ms, period_ms)
            self._wait(due_ms, period_ms == QUIET_MS)
        self._last_words()

    def _wait(self, due_ms, quiet):
        """Serve the link until the next tick is due, or a command wants the pump in a quiet time.

        Garbage is collected here, before it would have to be at some worse moment.
        """
        while self.leave_code < 0:
            link = self.link.poll()
            left_ms = ticks_diff(due_ms, self.board.ticks_ms())
            if left_ms <= 0 or (quiet and self.sequence.set_ul_s):
                return
            if left_ms > COLLECT_MS and self.link.garbage + self.recorder.garbage > COLLECT_AFTER:
                gc.collect()
                self.link.garbage = self.recorder.garbage = 0
            elif link == STALLED:
                self.board.idle(1)
            elif not link:
                self.board.idle(left_ms)

    def _last_words(self):
        board = self.board
        board.safe()
        self.timebase.advance(board.ticks_ms())
        self.process.cleanup.end(cleanup.LEFT)
        self.process.outputs = 0
        self.sequence.stop()
        self.service()
        self.recorder.event(records.LEAVE, self.leave_code, text=self._leave_text)
        # The answer to whoever asked should still get out.
        due_ms = ticks_add(board.ticks_ms(), _LAST_WORDS_MS)
        while ticks_diff(due_ms, board.ticks_ms()) > 0:
            link = self.link.poll()
            if not link:
                break
            if link == STALLED:
                board.idle(1)
            board.feed()

    def record_crash(self, text):
        """Write a LEAVE record after the loop has broken down."""
        self.recorder.event(records.LEAVE, LEFT_CRASH, text=text)

    # -- asked by the link --------------------------------------------------------------------------

    def leave(self, code, text=""):
        """End the app after this turn of the loop: LEFT_HOST, LEFT_REPL."""
        self._leave_text = text
        self.leave_code = code

    def status(self):
        """The state of things, as a table for a host (units in the names)."""
        return status(self)

    def command(self, text):
        """Carry out a command (see commands.py); None, or one line that says why not."""
        return commands.command(self, text)

    def forget_watchdog(self):
        """The restart by the watchdog has been looked at."""
        self._own_faults &= ~(1 << faults.WATCHDOG)

    def contact(self, utc_ms, uncertainty_ms, stored_seq, text):
        """A host tells the time and what it holds safely: (sequence number of the record, uptime_ms)."""
        self.timebase.advance(self.board.ticks_ms())
        uptime_ms = self.timebase.uptime_ms()
        self.journal.set_stored(stored_seq)
        self._overwrote_seen = self.journal.overwrote
        held = self.journal.stored_seq
        self.board.set_utc_ms(utc_ms)
        seq = self.recorder.event(records.CONTACT, a=uncertainty_ms, b=held, utc_ms=utc_ms, text=text)
        return seq, uptime_ms

    def put_settings(self, values):
        """Put settings in force and store them: (number changed, None), or (0, a line that says why not)."""
        whole = dict(self.settings)
        whole.update(values)
        problems = settings_table.check_all(whole)
        if problems:
            return 0, problems[0]
        old = self.settings
        changed = [name for name in sorted(values) if values[name] != old[name]]
        if not changed and not self._own_faults >> faults.SETTINGS_BAD & 1:
            return 0, None
        try:
            settings_table.store(self.board.settings_path, whole)
        except OSError as error:
            return 0, "settings: could not be stored (error %s)" % error.args[0]
        # A sample must have been taken under one set of settings, and so must a clean-up run.
        self.process.cleanup.end(cleanup.SETTINGS)
        self.sequence.abandon()
        # Many records may follow before the next tick.
        self.board.set_pump(0)
        self.service()
        self.settings = whole
        self._configure()
        self._own_faults &= ~(1 << faults.SETTINGS_BAD)
        for name in changed:
            text = "%s %s > %s" % (name, old[name], whole[name])
            for at in range(0, len(text), records.TEXT_BYTES):
                self.recorder.event(records.SETTING, at // records.TEXT_BYTES, self.settings_crc, len(text),
                                    text=text[at : at + records.TEXT_BYTES])  # fmt: skip
        self.settings_log.begin()
        return len(changed), None
