"""One interlock, one random fault at a random moment of one state, on the skid in one process.

What must hold, whatever the dice say:

1. Nothing trips before the fault.
2. From the moment that the rule's time is counted from, it acts within its stated time plus one control step
   plus the time a record may hold that step up, and no sooner than its stated time less one step.
3. From that step on duty is 0 and all selector valves are closed, until the skid goes on as it may.
4. The log holds the fault, the trip with the state it came in, and the cycle that was skipped.
5. The reset is as stated: refused while the cause is there, held until asked for, or by itself in its time.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from fault.interlock_dice import Dice
from fault.skid_in_process import Done, SkidInProcess
from skidboard import faults, interlocks, records, sequence
from skidboard.current_loop import LOOP_FAILED
from skidwright.log import dataset
from skidwright.meanings.interlocks import BY_NUMBER, ENDS_CYCLE, LATE_MS, PUMPING, Interlock, step_ms

VALVES = 0xFF
SECOND_US = 1_000_000
# Causes that can be seen with the pump off: a reset has to wait for them.
VISIBLE = (faults.STOP_INPUT, faults.OVER_PRESSURE, faults.UNWANTED_FLOW, faults.FLUID_HOT, faults.WATER_LOOP,
           faults.TEMP_SENSOR)  # fmt: skip
CLEAR_MS = {
    faults.FLUID_HOT: interlocks.HOT_MS,
    faults.DUTY_AT_LIMIT: interlocks.LIMIT_CLEAR_MS,
    faults.WATER_LOOP: interlocks.SENSOR_GOOD_MS,
    faults.TEMP_SENSOR: interlocks.SENSOR_GOOD_MS,
}


@dataclass(frozen=True)
class Outcome:
    """What one trial measured, in ms: from the rule's moment to its act; as stated; over that and a step."""

    rule: Interlock
    state: int
    kind: str
    stops: bool
    took_ms: float
    stated_ms: float
    late_ms: float


class Trial:
    """One trial in an empty folder. `run` raises AssertionError when something does not hold."""

    def __init__(self, number: int, state: int, seed: int, folder: Path) -> None:
        self.drawn = Dice(number, state, seed)
        self.dice = self.drawn.dice
        self.rule = BY_NUMBER[number]
        self.state = state
        self.skid = SkidInProcess(self.drawn.table, seed, folder)
        self.app = self.skid.app
        self.settings = self.app.settings
        self.ends = self.rule.does == ENDS_CYCLE
        self.stops = self.rule.stops(self.settings)
        self.trips = self.stops and not self.ends and state != sequence.TRIPPED
        self.stated_ms = self.rule.trip_ms(self.settings, state, max(self.drawn.amount, 1.0))
        self.phase = self._wait
        self.outcome: Outcome | None = None
        self.began_us = self.ended_us = self.act_us = self.reset_us = -1
        # As they were after the control step before this one.
        self.last = -1
        self.last_us = self.entered_us = 0
        self.on = False
        self.on_us = self.off_us = self.chain_us = self.cool_us = -1
        self.tripped_from = -1
        self.tried = self.tried_again = self.asked = self.cooled = False

    def run(self) -> Outcome:
        """The whole trial."""
        self.skid.watch = self._watch
        self.skid.run()
        assert self.outcome is not None
        self._check_log()
        return self.outcome

    def _watch(self) -> None:
        now_us, now = self.skid.plant.t_us, self.app.sequence.state
        assert now_us < 2400 * SECOND_US, f"came no further than {self.phase.__name__} in {now}"
        if self.act_us < 0 and now != self.last:
            self.tripped_from = self.last
        self.phase(now_us, now)
        process = self.app.process
        if now != self.last:
            self.entered_us = now_us
        on = self.skid.duty_permille > 0
        if on and not self.on:
            self.on_us = now_us
        elif self.on and not on:
            self.off_us = now_us
        if self.rule.number == faults.FLUID_HOT:
            seen = process.temp.state != LOOP_FAILED
            holds = seen and process.temp.value > self.settings["fluid_hot_cdeg"]
            cool = self.settings["fluid_hot_cdeg"] - interlocks.HOT_HYSTERESIS_CDEG
            if seen and not self.cooled:
                if process.temp.value > cool:
                    self.cool_us = -1
                elif self.cool_us < 0:
                    self.cool_us = now_us
                self.cooled = self.act_us >= 0 and 0 <= self.cool_us <= now_us - SECOND_US
        else:
            holds = process.controller.at_limit and process.sequence.short
        self.chain_us = (self.chain_us if self.chain_us >= 0 else now_us) if holds else -1
        self.last, self.last_us, self.on = now, now_us, on

    def _wait(self, now_us: int, now: int) -> None:
        """Bring the skid into the state; then begin the fault."""
        app = self.app
        if not self.asked and self.state == sequence.MANUAL:
            self.asked = True
            self._tell(f"hold {self.dice.randrange(750, 900)} {min(app.settings['run_limit_s'], 600)}")
        if not self.asked and self.state == sequence.TRIPPED:
            self.asked = True
            other = "over_pressure" if self.rule.number == faults.STOP_INPUT else "stop_input"
            self.skid.fault(other, now_us + SECOND_US, now_us + 3 * SECOND_US)
        if self.state != sequence.TRIPPED:
            assert not app.process.faults, f"before its time: {faults.names(app.process.faults)}"
        if now != self.state or app.sequence.state_ms < self.drawn.offset_ms:
            return
        self.began_us = now_us + self.dice.randrange(1, step_ms(now in PUMPING) * 1000)
        self.longest_us = round(self.stated_ms * 1000) + 60 * SECOND_US
        self.ended_us = self.began_us + self.longest_us + self.dice.randrange(10, 30) * SECOND_US
        self.skid.fault(self.drawn.kind, self.began_us, self.ended_us, self.drawn.amount)
        self.phase = self._expect

    def _expect(self, now_us: int, now: int) -> None:
        """The fault is there: the rule has to act, and in time."""
        if self.rule.number == faults.RUN_TOO_LONG and now == sequence.MANUAL and self.dice.random() < 0.01:
            # Somebody keeps the pump by hand for longer than a run may last.
            self._tell(f"hold 800 {self.settings['run_limit_s']}")
        raised = bool(self.app.process.faults >> self.rule.number & 1)
        if self.trips:
            raised = raised and now == sequence.TRIPPED
        if not raised:
            assert now_us < self.began_us + self.longest_us, "it did not act at all"
            if self.state != sequence.TRIPPED:
                assert now != sequence.TRIPPED, f"tripped by {faults.names(self.app.process.faults)} instead"
            return
        self.act_us = now_us
        took_ms, step = (now_us - self._from_us()) / 1000, step_ms(self.last in PUMPING)
        late_ms = took_ms - self.stated_ms - step
        assert late_ms <= LATE_MS, f"acted after {took_ms} ms, stated are {self.stated_ms} and a step"
        early_ms = step + LATE_MS
        if self.drawn.kind == "unwanted_flow":
            # A pulse more or less of the leak, and the meter's scatter.
            early_ms += 0.05 * self.stated_ms + 4e5 / self.drawn.amount
        assert took_ms >= self.stated_ms - early_ms, f"acted after {took_ms} of {self.stated_ms} ms"
        self.outcome = Outcome(
            self.rule, self.state, self.drawn.kind, self.stops, took_ms, self.stated_ms, late_ms
        )
        self.reset_us = now_us + self.dice.randrange(1, 8) * SECOND_US
        if self.stops:
            self._is_safe()
        if self.ends:
            self.phase = self._given_up
        elif not self.stops and self.state != sequence.TRIPPED:
            self.phase = self._reported
        elif self.rule.held or self.state == sequence.TRIPPED:
            self.phase = self._held
        else:
            self.phase = self._passing

    def _from_us(self) -> int:
        """The moment from which the rule's time counts, by the plant's clock."""
        number = self.rule.number
        if number == faults.NO_FLOW:
            edge_us = self.skid.plant.boot_us + self.skid.plant.meter_edge_us
            if self.drawn.kind != "blocked_line":
                assert edge_us <= self.began_us, "a pulse came although none could"
            return max(edge_us, self.on_us)
        if number == faults.UNWANTED_FLOW:
            watched_us = self.off_us + interlocks.RUN_DOWN_MS * 1000 if self.off_us >= 0 else 0
            return max(self.began_us, watched_us)
        if number in (faults.FLUID_HOT, faults.DUTY_AT_LIMIT):
            return self.chain_us
        return {faults.RUN_TOO_LONG: self.on_us, faults.BAND_NOT_REACHED: self.entered_us}.get(
            number, self.began_us
        )

    def _is_safe(self) -> None:
        assert self.skid.duty_permille == 0, "the pump is not off"
        assert self.skid.outputs & VALVES == 0, "a valve is not closed"

    def _given_up(self, now_us: int, now: int) -> None:
        """The cycle was given up: at rest, pump off."""
        assert now == sequence.REST
        self._is_safe()
        if now_us > self.reset_us:
            raise Done

    def _reported(self, now_us: int, now: int) -> None:
        """It is only reported: sampling goes on, and the fault clears when its cause has gone."""
        assert now != sequence.TRIPPED
        there = bool(self.app.process.faults >> self.rule.number & 1)
        if self.rule.number != faults.DUTY_AT_LIMIT:
            assert there or now_us >= self.ended_us
            late_us = now_us - self.ended_us - CLEAR_MS[self.rule.number] * 1000
            assert not there or late_us <= 2 * SECOND_US + LATE_MS * 1000, "the fault stays"
        if now_us > self.ended_us and not there:
            raise Done

    def _refuse_reset(self, now_us: int) -> None:
        """Once, while the cause is there: a reset is refused, and says why."""
        if not self.tried and now_us > self.reset_us:
            self.tried = True
            if self.rule.number in VISIBLE and now_us < self.ended_us:
                self._tell("reset", self.rule.name)

    def _held(self, now_us: int, now: int) -> None:
        """Held until the operator says so, and the cause has gone."""
        self._is_safe()
        assert now == sequence.TRIPPED, "it ended by itself"
        if self.stops:
            self._refuse_reset(now_us)
        just_gone = self.ended_us < now_us < self.ended_us + 10 * SECOND_US
        if self.rule.number == faults.UNWANTED_FLOW and just_gone and not self.tried_again:
            # The latest pulse is less than a minute old.
            self.tried_again = True
            self._tell("reset", self.rule.name)
        if now_us > self.ended_us + 75 * SECOND_US:
            self._tell("reset")
            self.reset_us = now_us
            self.phase = self._standing_by

    def _standing_by(self, now_us: int, now: int) -> None:
        """After the reset: standby, and no start before somebody says so."""
        if now_us < self.reset_us + 5 * SECOND_US:
            self._is_safe()
            assert now == sequence.STANDBY
            standing = self.app.process.faults if now_us > self.reset_us + SECOND_US else 0
            assert not standing, f"after the reset: {faults.names(standing)}"
            return
        if now == sequence.STANDBY:
            self._tell("start")
        assert now_us < self.reset_us + 8 * SECOND_US, "it did not start"
        if self.skid.duty_permille:
            raise Done

    def _passing(self, now_us: int, now: int) -> None:
        """A trip that ends by itself, so long after its cause has gone as is stated."""
        self._is_safe()
        self._refuse_reset(now_us)
        number, hold_us = self.rule.number, self.settings["trip_hold_s"] * SECOND_US
        gone_us = self.act_us
        if number == faults.FLUID_HOT:
            gone_us = self.cool_us if self.cooled else now_us
        elif number in VISIBLE:
            gone_us = self.ended_us
        gone_us += CLEAR_MS.get(number, 0) * 1000 + hold_us
        if now == sequence.TRIPPED:
            there = number in VISIBLE and now_us < self.ended_us
            assert there or now_us <= gone_us + 2 * SECOND_US + LATE_MS * 1000, "it does not end"
            return
        assert now_us >= gone_us - 2 * SECOND_US, "it ended before its time"
        assert now == (sequence.REST if self.app.sequence.running else sequence.STANDBY)
        assert not self.app.process.faults, faults.names(self.app.process.faults)
        raise Done

    def _tell(self, text: str, refused: str | None = None) -> None:
        said = self.skid.tell(text)
        wanted = None if refused is None else f"reset: {refused} is still there"
        assert said == wanted, f"{text}: {said}"

    def _check_log(self) -> None:
        """What a host would find in the log."""
        events = dataset.decode(self.skid.log_bytes()).events

        def found(kind: int, code: int) -> np.ndarray:
            return events[(events["kind"] == kind) & (events["code"] == code)]

        raised = found(records.FAULT_RAISED, self.rule.number)
        at_ms = (self.act_us - self.skid.plant.boot_us) / 1000
        assert len(raised) and abs(int(raised["uptime_ms"][0]) - at_ms) < 300, "the fault is not in the log"
        trips = events[events["kind"] == records.TRIP]
        if self.trips:
            assert len(trips) == 1 and trips["code"][0] == self.rule.number, "the trip is not in the log"
            assert trips["state"][0] == self.tripped_from
        else:
            assert len(trips) == (self.state == sequence.TRIPPED)
        if self.stops and self.tripped_from in (sequence.PRIME, sequence.SETTLE, sequence.COUNT):
            assert len(found(records.SKIPPED, self.rule.number)) == 1, "the skipped cycle is not in the log"
