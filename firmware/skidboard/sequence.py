"""The sampling cycle as a state machine: which state, which flow to hold, which valve to open.

standby -> prime -> settle -> count -> rest -> prime of the next asset ...; what settling shows of the fluid
before may ask for more purging, back in prime; from standby and rest a person may
take the pump by hand for a time; a tripping fault leads to tripped from anywhere. A trip that an operator has
to reset ends in standby, so that a reset by itself never starts the pump; the others go on to rest, so that
the next asset is sampled in its turn.
"""

from skidboard import faults
from skidboard.current_loop import LOOP_FAILED
from skidboard.interlocks import METER_TIMES, InTime
from skidboard.purge import Purge

STANDBY = 0
PRIME = 1
SETTLE = 2
COUNT = 3
REST = 4
TRIPPED = 5
MANUAL = 6
STATE_NAMES = ("standby", "prime", "settle", "count", "rest", "tripped", "manual")

# How a cycle ended, in `ended`.
SAMPLED = 1
SKIPPED = 2
# `ended_code` of a cycle given up for no fault: by command.
BY_COMMAND = 0xFFFF

_LONG_MS = 1 << 29


class Sequence:
    """Runs the cycle. After `step()`: `state`, `set_ul_s` (0: pump off), `valve` (output number, -1: none),
    `fixed_permille` (duty by hand, -1: the controller's), `faults` (its own fault bits, latched trips
    included), `in_band`, `short` (flow below its band), and, until somebody clears them,
    `ended` with `ended_code`, and `trip_code` (-1: none) with `trip_from`."""  # fmt: skip

    def __init__(self, flow, sample):
        self._flow = flow
        self._sample = sample
        self.state = STANDBY
        self.running = False
        self.place = 0
        self.set_ul_s = 0
        self.fixed_permille = -1
        self.valve = -1
        self.in_band = False
        self.short = False
        self.faults = 0
        self.ended = 0
        self.ended_code = 0
        self.trip_code = -1
        self.trip_from = STANDBY
        self.state_ms = 0
        self._latched = 0
        self._begun = False
        self._hand_ul_s = 0
        self._hand_limit_ms = 0
        self._in_time = InTime()
        self.purge = Purge()
        self.target_ul = 0
        self._steady_ms = -1
        self._water_low_ua = 0
        self._water_high_ua = 0
        self._only = -1
        self._only_rest_ms = 0

    def configure(self, settings):
        """Take the settings (a dictionary as of settings.py); a running cycle should be given up first."""
        self._places = len(settings["assets"])
        self._sample_ul = settings["sample_volume_ul"]
        self._pulse_nl = settings["meter_pulse_nl"]
        self._purge_ul = settings["purge_volume_ul"]
        self._purge_limit_ul = settings["purge_limit_ul"]
        # More purging must not become the reason for a trip.
        self._purge_limit_ms = min(settings["purge_limit_s"], settings["run_limit_s"] // 2) * 1000
        self.purge.configure(settings["line_volume_ul"], self._sample_ul, settings["carryover_percent"])
        self._purge_ul_s = settings["purge_flow_ul_s"]
        self._hold_ul_s = settings["flow_set_ul_s"]
        self._low_ul_s = settings["flow_low_ul_s"]
        self._high_ul_s = settings["flow_high_ul_s"]
        self._most_ul_s = METER_TIMES * settings["pump_full_ul_s"]
        self._rest_ms = settings["rest_s"] * 1000
        self._settle_ms = settings["settle_ms"]
        self._steady_ua = settings["loop_steady_ua"]
        self._in_time.configure(settings["settle_ms"], settings["prime_limit_s"], settings["settle_limit_s"])
        self._trip_hold_ms = settings["trip_hold_s"] * 1000
        if self.place >= self._places:
            self.place = 0
            self._begun = False

    def start(self):
        """Begin with the next asset now. Nothing happens when a cycle runs already or the skid is tripped."""
        self.running = True
        if self.state in (STANDBY, REST, MANUAL):
            self._begin_cycle()

    def stop(self):
        """Give up whatever runs and stay in standby until `start()`; a trip stays a trip."""
        self.running = False
        self.fixed_permille = -1
        self.abandon()
        if self.state != TRIPPED:
            self._enter(STANDBY)

    def abandon(self):
        """Give up a running cycle; the next one comes after a rest."""
        if self.in_cycle():
            self._end_cycle(SKIPPED, BY_COMMAND)

    def hold_on(self, place, rest_ms):
        """Sample one place only, with a rest of its own, beginning now."""
        self._only = place
        self._only_rest_ms = rest_ms
        self.start()

    def release(self):
        """Sample all places in turn again."""
        self._only = -1

    def in_cycle(self):
        """True while a sample is being prepared or counted."""
        return PRIME <= self.state <= COUNT

    def by_hand(self):
        """True while a person has the pump: in manual, or with a fixed duty in the cycle."""
        return self.state == MANUAL or self.fixed_permille >= 0

    def drive_by_hand(self, duty_permille, limit_ms):
        """Fix the duty: in a running cycle until `end_by_hand()`, else in manual for `limit_ms`."""
        self.fixed_permille = duty_permille
        if not self.in_cycle():
            self._take_by_hand(self._hold_ul_s, limit_ms)

    def hold_by_hand(self, set_ul_s, limit_ms):
        """Let the controller hold a flow in manual for `limit_ms`."""
        self.fixed_permille = -1
        self._take_by_hand(set_ul_s, limit_ms)

    def end_by_hand(self):
        """Give the pump back to controller and cycle."""
        self.fixed_permille = -1
        if self.state == MANUAL:
            self._enter(REST if self.running else STANDBY)

    def _take_by_hand(self, set_ul_s, limit_ms):
        self._hand_ul_s = set_ul_s
        self._hand_limit_ms = limit_ms
        self._enter(MANUAL)

    def reset(self):
        """End a trip by an operator's word; if its cause is still there it trips again."""
        if self.state == TRIPPED:
            self._end_trip()

    def seconds_to_next(self):
        """Seconds until the next cycle begins by itself; -1 when none will."""
        if self.state != REST:
            return -1
        return max(0, self._resting_ms() - self.state_ms + 999) // 1000

    def _resting_ms(self):
        return self._rest_ms if self._only < 0 else self._only_rest_ms

    def step(self, dt_ms, deltas, water, stopping, before_us, now_us, now_ms):
        """One tick of `dt_ms`: counter edges, water loop, faults that stop the pump, times of both ticks."""
        if self.state_ms < _LONG_MS:
            self.state_ms += dt_ms
        flow = self._flow
        self.in_band = flow.moving and self._low_ul_s <= flow.value_ul_s <= self._high_ul_s
        self.short = flow.value_ul_s < self._low_ul_s
        state = self.state
        if state == TRIPPED:
            self._stay_tripped(stopping)
        elif stopping:
            self._trip(stopping)
        elif state == PRIME:
            self._prime(dt_ms)
        elif state == SETTLE:
            self._settle(dt_ms, deltas, water)
        elif state == COUNT:
            if self._sample.advance(deltas, flow, before_us, now_us, now_ms) and not self._noise():
                sample = self._sample
                self.purge.remember(sample.counts, sample.pulses * sample.pulse_nl // 1000)
                self._end_cycle(SAMPLED, 0)
            elif not self._sample.counting:
                self._sample.prepare(flow.tick_ul, dt_ms)
        elif state == REST and self.state_ms >= self._resting_ms():
            self._begin_cycle()
        elif state == MANUAL and self.state_ms >= self._hand_limit_ms:
            self.end_by_hand()

    def _noise(self):
        """Trip when what ends a purge or a count by its volume is more flow than any pump gives.

        Noise fills a sample before the interlock's half second is over.
        """
        noise = self._flow.value_ul_s > self._most_ul_s
        if noise:
            self._trip(1 << faults.METER)
        return noise

    def _enter(self, state):
        self.state = state
        self.state_ms = 0
        if state == PRIME:
            self.set_ul_s = self._purge_ul_s
            self.valve = self.place
        elif SETTLE <= state <= COUNT:
            self.set_ul_s = self._hold_ul_s
        elif state == MANUAL:
            self.set_ul_s = self._hand_ul_s
            self.valve = self.place
        else:
            self.set_ul_s = 0
            self.valve = -1

    def _begin_cycle(self):
        if self._only >= 0:
            self.place = self._only
        elif self._begun:
            self.place = (self.place + 1) % self._places
        self._begun = True
        self._sample.begin(self._sample_ul, self._pulse_nl)
        self.target_ul = self._purge_ul
        self._begin_purge()

    def _begin_purge(self):
        self._in_time.begin()
        self._steady_ms = -1
        self._enter(PRIME)

    def _end_cycle(self, how, code):
        self.ended = how
        self.ended_code = code
        self.faults &= ~(1 << faults.LOOP_UNSTEADY)
        self._enter(REST)

    def _prime(self, dt_ms):
        sample = self._sample
        sample.prepare(self._flow.tick_ul, dt_ms)
        late = self._in_time.late_to_purge(self.state_ms)
        enough = sample.purge_ul >= self.target_ul
        if self.target_ul > self._purge_ul:
            enough = enough or late or sample.prepare_ms >= self._purge_limit_ms
        if enough:
            if not self._noise():
                self.purge.clear(sample.purge_ul)
                self._enter(SETTLE)
        elif late:
            self._give_up()

    def _give_up(self):
        self.faults |= 1 << faults.BAND_NOT_REACHED
        self._end_cycle(SKIPPED, faults.BAND_NOT_REACHED)

    def _settle(self, dt_ms, deltas, water):
        sample = self._sample
        sample.prepare(self._flow.tick_ul, dt_ms)
        if self.in_band:
            self.purge.add(deltas, self._flow.tick_ul)
        else:
            self.purge.clear(sample.purge_ul)
        settled = self._in_time.settled(self.in_band, dt_ms)
        steady = self._water_steady(dt_ms, water)
        late = self._in_time.late_to_settle(self.state_ms)
        if settled and (steady or late):
            needed_ul = min(self.purge.needed_ul(), self._purge_limit_ul)
            if needed_ul > sample.purge_ul and sample.prepare_ms < self._purge_limit_ms:
                self.target_ul = needed_ul
                self._begin_purge()
                return
            self.faults &= ~(1 << faults.BAND_NOT_REACHED)
            if not steady:
                self.faults |= 1 << faults.LOOP_UNSTEADY
            sample.want(self._sample_ul, self._flow.pulse_nl)
            self._enter(COUNT)
        elif late:
            self._give_up()

    def _water_steady(self, dt_ms, water):
        """True when the loop has stayed in its limit for the settling time, or has failed: why wait then."""
        if water.state == LOOP_FAILED:
            self._steady_ms = -1
            return True
        loop_ua = water.loop_ua
        if self._steady_ms >= 0:
            self._steady_ms += dt_ms
            if loop_ua < self._water_low_ua:
                self._water_low_ua = loop_ua
            elif loop_ua > self._water_high_ua:
                self._water_high_ua = loop_ua
        if self._steady_ms < 0 or self._water_high_ua - self._water_low_ua > self._steady_ua:
            self._steady_ms = 0
            self._water_low_ua = loop_ua
            self._water_high_ua = loop_ua
        return self._steady_ms >= self._settle_ms

    def _trip(self, tripping):
        code = 0
        while not tripping >> code & 1:
            code += 1
        self.trip_from = self.state
        self.trip_code = code
        self.fixed_permille = -1
        if self.in_cycle():
            self._end_cycle(SKIPPED, code)
        self._latch(tripping)
        self._enter(TRIPPED)

    def _latch(self, tripping):
        self._latched |= tripping
        self.faults |= tripping

    def _stay_tripped(self, tripping):
        if tripping:
            self._latch(tripping)
            self.state_ms = 0
        elif not self._latched & faults.HELD and self.state_ms >= self._trip_hold_ms:
            self._end_trip()

    def _end_trip(self):
        if self._latched & faults.HELD:
            self.running = False
        self.faults &= ~self._latched
        self._latched = 0
        self._enter(REST if self.running else STANDBY)
