"""The clean-up run: one asset sampled again and again while an output drives a filter cart's or dryer's pump.

    cleanup start ASSET   the output goes on; the settings cleanup_* say what is aimed at
    cleanup stop          the output goes off

The run ends, and the output goes off, when enough valid samples in a row are at or below every target; and
on any trip, command, change of settings, longest time, lack of progress, reset or loss of power. It never
begins again by itself. The output is no safety function: what it drives needs protection of its own.
"""

import os

from skidboard import records, sample_checks
from skidboard.cleanliness import scale_number
from skidboard.sequence import TRIPPED

# How a run ended, the `code` of its record; 0 is its beginning.
ON_TARGET = 1
BY_COMMAND = 2
TOO_LONG = 3
NO_PROGRESS = 4
TRIP = 5
POWER = 6
SETTINGS = 7
LEFT = 8

_TARGETS = ("cleanup_4um", "cleanup_6um", "cleanup_14um")


class CleanUp:
    """One run after another. `outputs` are the output bits that it wants set; `over` is how it ended, until
    that is written down (0: nothing to write)."""  # fmt: skip

    def __init__(self):
        self.running = False
        self.outputs = 0
        self.over = 0
        self.ended = 0
        self.asset = 0
        self.in_row = 0
        self.valid = 0
        self.samples = 0
        self.run_s = 0
        self.sampling_before = False
        self._ms = 0
        self._still_s = 0
        self._best = [-1] * 4
        self._before = [-1] * 4

    def configure(self, settings):
        """Take the settings (a dictionary as of settings.py); a run should be ended first."""
        self._settings = settings
        self.wanted = settings["cleanup_samples"]
        self.limit_s = settings["cleanup_limit_s"]
        self._stall_s = settings["cleanup_stall_s"]
        number = settings["cleanup_output"]
        self.mask = 1 << number - 1 if number else 0

    def begin(self, asset):
        """Start a run: the output goes on with the next step."""
        self.asset = asset
        self.in_row = self.valid = self.samples = self.run_s = 0
        self._ms = self._still_s = 0
        for i in range(4):
            self._best[i] = self._before[i] = -1
        self.ended = 0
        self.outputs = self.mask
        self.running = True

    def end(self, how):
        """End a run that goes on; its output bit is gone at once."""
        if self.running:
            self.running = False
            self.outputs = 0
            self.over = self.ended = how

    def step(self, dt_ms, tripped):
        """One tick of `dt_ms`. Allocates nothing."""
        if not self.running:
            return
        self._ms += dt_ms
        seconds = self._ms // 1000
        self._ms -= seconds * 1000
        self.run_s += seconds
        self._still_s += seconds
        if tripped:
            self.end(TRIP)
        elif self.run_s >= self.limit_s:
            self.end(TOO_LONG)
        elif self._still_s >= self._stall_s:
            self.end(NO_PROGRESS)

    def take(self, sample, stored):
        """Judge a finished sample. One that is not in the log proves nothing.

        A sample above a target begins the row anew, whatever else it is; one that is not sound, or so near
        to a target that coincidence may hide the rest, counts for nothing.
        """
        settings = self._settings
        before = self._before
        sound = (
            stored
            # The first may hold what another asset left in the line.
            and before[0] >= 0
            and sample_checks.counts_sound(sample, before, settings)
            and (not settings["cleanup_water_cpct"] or sample_checks.water_sound(sample, settings))
        )
        for i in range(4):
            before[i] = sample.counts[i]
        self.samples += 1
        if sound:
            self.valid += 1
        volume_ul = sample.pulses * sample.pulse_nl // 1000
        above = False
        for i in range(3):
            target = settings[_TARGETS[i]]
            level = sample.counts[i]
            if target and scale_number(level, volume_ul) > target:
                above = True
                if sound:
                    self._lower(i, level)
            # A 256th and one more: enough for what coincidence hides up to 0.39 %.
            elif target and scale_number(level + (level >> 8) + 1, volume_ul) > target:
                stored = False
        limit = settings["cleanup_water_cpct"]
        level = sample_checks.percent_at(settings, sample.water_ua.mean())
        if limit and level >= limit:
            above = above or level > limit
            stored = False
            if sound:
                self._lower(3, level)
        if above:
            self.in_row = 0
        elif sound and stored:
            self.in_row += 1
            self._still_s = 0
            if self.in_row >= self.wanted:
                self.end(ON_TARGET)

    def _lower(self, i, level):
        # By a sixteenth at least: less may be the chance of counting.
        best = self._best[i]
        if best < 0 or level * 16 <= best * 15:
            self._best[i] = level
            self._still_s = 0

    def state(self):
        """Where the run stands, or how the last one ended, for a host."""
        return {
            "running": self.running,
            "asset": self.asset,
            "in_row": self.in_row,
            "valid": self.valid,
            "samples": self.samples,
            "run_s": self.run_s,
            "output": self.outputs != 0,
            "ended": self.ended,
        }


def command(app, words):
    """Carry out "cleanup start ASSET" or "cleanup stop", given as its words; None, or why not."""
    run = app.process.cleanup
    if words[1:] == ["stop"]:
        if not run.running:
            return "cleanup stop: no clean-up is running"
        run.end(BY_COMMAND)
        finish(app)
        return None
    if len(words) != 3 or words[1] != "start" or not words[2].isdigit():
        return "cleanup: give `start ASSET` or `stop`"
    problem = _start(app, int(words[2]))
    return "cleanup start: %s" % problem if problem else None


def _start(app, asset):
    run = app.process.cleanup
    settings = app.settings
    sequence = app.sequence
    if run.running:
        return "a clean-up is running"
    if asset not in settings["assets"]:
        return "asset %d is not in `assets`" % asset
    if not any([settings[name] for name in _TARGETS]) and not settings["cleanup_water_cpct"]:
        return "no target is set"
    if not app.watched:
        return "no watchdog: set watchdog_ms, then restart the board"
    if sequence.state == TRIPPED:
        return "the skid is tripped; reset it first"
    if sequence.by_hand():
        return "the pump is by hand; `auto` first"
    if app.journal.problem:
        return app.journal.problem
    try:
        # Should power fail, the next start finds it and says so.
        with open(_marker(app.board), "w") as f:
            f.write(str(asset))
    except OSError as error:
        return "storage failed (error %s)" % error.args[0]
    before = sequence.running
    sequence.abandon()
    app.service()
    sequence.hold_on(settings["assets"].index(asset), settings["cleanup_rest_s"] * 1000)
    run.sampling_before = before
    run.begin(asset)
    targets = [settings[name] for name in _TARGETS]
    water = settings["cleanup_water_cpct"]
    a = targets[0] | targets[1] << 8 | targets[2] << 16 | run.wanted << 24
    if app.recorder.event(records.CLEANUP, 0, a, water, settings["cleanup_output"], run.limit_s) >= 0:
        return None
    # The end's record may find room again, and whoever asked must hear that nothing goes on all the same.
    problem = app.journal.problem or "its begin could not be recorded"
    run.end(BY_COMMAND)
    finish(app)
    return problem


def finish(app):
    """Output off now, not with the next tick; sampling as it was before; the end on record."""
    run = app.process.cleanup
    how = run.over
    run.over = 0
    app.process.outputs &= ~run.mask
    app.board.set_outputs(app.process.outputs)
    _restore(app)
    app.recorder.event(records.CLEANUP, how, run.run_s, run.valid, run.in_row, run.samples, asset=run.asset)
    _forget(app.board)


def _restore(app):
    app.sequence.release()
    if not app.process.cleanup.sampling_before:
        app.sequence.stop()


def after_start(app):
    """Say so when a run was cut short by a reset or a loss of power; its output stays off."""
    path = _marker(app.board)
    try:
        with open(path) as f:
            text = f.read(8)
    except (OSError, ValueError):
        return
    run = app.process.cleanup
    run.asset = int(text) & 0xFFFF if text.isdigit() else 0
    run.ended = POWER
    app.recorder.event(records.CLEANUP, POWER, asset=run.asset)
    _forget(app.board)


def _marker(board):
    return board.settings_path.rsplit("/", 1)[0] + "/cleanup"


def _forget(board):
    try:
        os.remove(_marker(board))
    except OSError:
        pass
