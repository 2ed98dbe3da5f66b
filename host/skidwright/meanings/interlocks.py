"""The interlocks as a person needs them: what each watches, how soon it acts, how it is reset.

The rules themselves are the firmware's (`skidboard.interlocks`); the times here are worked out from the same
settings and constants, and the tests hold the firmware to them. `docs/faults.md` shows them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from skidboard import app, faults, interlocks, sequence, settings
from skidboard.drivers import plain_serial

PUMPING = (sequence.PRIME, sequence.SETTLE, sequence.COUNT, sequence.MANUAL)
HOLDING = (sequence.SETTLE, sequence.COUNT, sequence.MANUAL)
PREPARING = (sequence.PRIME, sequence.SETTLE)
RESTING = (sequence.STANDBY, sequence.REST, sequence.TRIPPED)
ALWAYS = tuple(range(len(sequence.STATE_NAMES)))

# What an interlock does.
TRIPS = "stops the pump"
TRIPS_IF_SET = "stops the pump where `stop_also` says so"
ENDS_CYCLE = "stops the pump and gives the cycle up; the skid rests and goes on with the next asset"

# The longest a control step may come late while records are written to flash: one takes up to 109 ms
# (measured on an emulated RP2040), and two may fall together.
LATE_MS = 250

_STATE_WORDS = {
    sequence.STANDBY: "in standby",
    sequence.PRIME: "while purging",
    sequence.SETTLE: "while settling",
    sequence.COUNT: "while counting",
    sequence.REST: "at rest",
    sequence.TRIPPED: "while tripped",
    sequence.MANUAL: "with the pump by hand",
}


@dataclass(frozen=True)
class Interlock:
    """One interlock: fault number, states it watches, its time, what it does, and how it is reset.

    `after` says what the time is counted from. The time is `fixed_ms`, or the setting `by` (ms or s by its
    name; uL for unwanted flow), which for `by_state` depends on the state. `also` is its bit of `stop_also`.
    """

    number: int
    states: tuple[int, ...]
    after: str
    does: str = TRIPS
    by: str = ""
    by_state: tuple[tuple[int, str], ...] = ()
    fixed_ms: int = 0
    also: int = 0
    clears: str = ""

    @property
    def name(self) -> str:
        """The fault's name."""
        return faults.NAMES[self.number]

    @property
    def held(self) -> bool:
        """True when only an operator ends its trip."""
        return bool(faults.HELD >> self.number & 1)

    def stops(self, values: Mapping[str, Any]) -> bool:
        """Whether it stops the pump, under these settings."""
        return self.does != TRIPS_IF_SET or bool(values["stop_also"] & self.also)

    def trip_ms(
        self, values: Mapping[str, Any], state: int = sequence.SETTLE, leak_ul_s: float = 0.0
    ) -> float:
        """Milliseconds from the moment `after` names until it acts; a control step and LATE_MS come on top.

        For unwanted flow `leak_ul_s` is needed, and the time until flow with the pump off is watched at all
        (`interlocks.RUN_DOWN_MS` after the pump's stop) is not in it.
        """
        name = dict(self.by_state).get(state, self.by)
        if not name:
            return self.fixed_ms
        value, pulse_ul = float(values[name]), float(values["meter_pulse_nl"]) / 1000
        if name.endswith("_ms"):
            return value
        if name.endswith("_s"):
            return value * 1000
        # A pulse counts for its volume when it has come.
        return (value + pulse_ul) / leak_ul_s * 1000

    def time_words(self) -> str:
        """The time to trip for people, with the values as delivered."""
        values = settings.defaults()
        if self.number == faults.UNWANTED_FLOW:
            example_s = self.trip_ms(values, leak_ul_s=200) / 1000
            return (
                f"once `{self.by}` ({values[self.by] / 1000:g} mL as delivered) have passed, which at "
                f"200 uL/s takes {example_s:.0f} s; counted {self.after}"
            )
        if self.by_state:
            parts = [
                f"{_STATE_WORDS[state]} `{name}` ({self.trip_ms(values, state) / 1000:g} s as delivered)"
                for state, name in self.by_state
            ]
            return f"{', '.join(parts)} {self.after}"
        if self.by:
            return f"`{self.by}` ({self.trip_ms(values) / 1000:g} s as delivered) {self.after}"
        return f"{self.fixed_ms / 1000:g} s {self.after}" if self.fixed_ms else self.after

    def does_words(self) -> str:
        """What it does, for people, with the settings as delivered."""
        if self.does != TRIPS_IF_SET:
            return self.does
        now = "does" if self.stops(settings.defaults()) else "does not"
        return f"{self.does} (as delivered it {now}: {self.also} is its part of it); else sampling goes on"

    def watched_words(self) -> str:
        """The states it watches, for people."""
        if self.states == ALWAYS:
            return "always"
        return ", ".join(_STATE_WORDS[state] for state in sorted(self.states))

    def reset_words(self) -> str:
        """Its reset policy, for people."""
        if self.does == ENDS_CYCLE:
            return f"clears itself {self.clears}"
        hold_s = settings.TABLE["trip_hold_s"][3]
        if self.held:
            text = "by the operator: `skidwright tell PORT reset`, refused while the cause is there"
            return f"{text}; then `start`" + (f". {self.clears}" if self.clears else "")
        return (
            f"clears itself {self.clears}; a trip ends `trip_hold_s` ({hold_s:g} s as delivered) later, and"
            " the skid rests and goes on with the next asset"
        )

    def row(self) -> tuple[str, str, str, str]:
        """The rule in short, with the settings as delivered: name, time to trip, whether it stops, reset."""
        values = settings.defaults()
        if self.by_state:
            time = ", ".join(
                f"{self.trip_ms(values, state) / 1000:g} s {_STATE_WORDS[state]}"
                for state, _ in self.by_state
            )
        elif self.number == faults.UNWANTED_FLOW:
            time = f"{self.trip_ms(values, leak_ul_s=200) / 1000:.0f} s at 200 uL/s"
        else:
            time = f"{self.trip_ms(values) / 1000:g} s"
        stops = "yes" if self.stops(values) else "if `stop_also` says so"
        return self.name, time, stops, "operator" if self.held else "itself"


def _seconds(ms: int) -> str:
    return f"{ms / 1000:g} s"


INTERLOCKS: tuple[Interlock, ...] = (
    Interlock(
        faults.NO_FLOW,
        PUMPING,
        "after the last pulse of the meter, or after the pump's start",
        by="no_flow_ms",
        clears="with the pump's stop",
    ),
    Interlock(
        faults.UNWANTED_FLOW,
        RESTING,
        f"from {_seconds(interlocks.RUN_DOWN_MS)} after the pump's stop on, pauses between pulses of up to "
        f"{_seconds(interlocks.LEAK_GAP_MS)} included",
        by="unwanted_flow_ul",
        clears=f"It is still there until no pulse has come for {_seconds(interlocks.LEAK_GAP_MS)}",
    ),
    Interlock(faults.OVER_PRESSURE, ALWAYS, "at the next control step"),
    Interlock(
        faults.FLUID_HOT,
        ALWAYS,
        "after the sensor's reading has gone over `fluid_hot_cdeg`",
        fixed_ms=interlocks.HOT_MS,
        clears=f"{_seconds(interlocks.HOT_MS)} after the reading has fallen "
        f"{interlocks.HOT_HYSTERESIS_CDEG / 100:g} K below the limit, not by a sensor that fails meanwhile",
    ),
    Interlock(faults.STOP_INPUT, ALWAYS, "at the next control step"),
    Interlock(
        faults.BAND_NOT_REACHED,
        PREPARING,
        "after the purge or the settling has begun",
        does=ENDS_CYCLE,
        by_state=((sequence.PRIME, "prime_limit_s"), (sequence.SETTLE, "settle_limit_s")),
        clears="when a later cycle reaches the band",
    ),
    Interlock(
        faults.DUTY_AT_LIMIT,
        HOLDING,
        "after duty has come to its highest, with flow below its band all the while; in the band it is only "
        "reported, and while purging or with a duty by hand it is not watched",
        does=TRIPS_IF_SET,
        by="duty_limit_ms",
        also=interlocks.ALSO_DUTY,
        clears=f"{_seconds(interlocks.LIMIT_CLEAR_MS)} after duty has left its limit",
    ),
    Interlock(
        faults.WATER_LOOP,
        ALWAYS,
        "after the current has left the range of a measurement",
        does=TRIPS_IF_SET,
        fixed_ms=interlocks.SENSOR_BAD_MS,
        also=interlocks.ALSO_WATER,
        clears=f"{_seconds(interlocks.SENSOR_GOOD_MS)} after the current is back in it",
    ),
    Interlock(
        faults.TEMP_SENSOR,
        ALWAYS,
        "after the reading has failed",
        does=TRIPS_IF_SET,
        fixed_ms=interlocks.SENSOR_BAD_MS,
        also=interlocks.ALSO_TEMP,
        clears=f"{_seconds(interlocks.SENSOR_GOOD_MS)} after it is back",
    ),
    Interlock(
        faults.COUNTER,
        ALWAYS,
        "after the last good line of a counter with a line of its own",
        does=TRIPS_IF_SET,
        fixed_ms=plain_serial.SILENT_MS,
        also=interlocks.ALSO_COUNTER,
        clears=f"{_seconds(interlocks.SENSOR_GOOD_MS)} after it is back",
    ),
    Interlock(
        faults.RUN_TOO_LONG,
        PUMPING,
        "after the pump's start",
        by="run_limit_s",
    ),
    Interlock(
        faults.METER,
        PUMPING,
        f"after the meter began to show more than {interlocks.METER_TIMES} times `pump_full_ul_s`; with the "
        "pump off such pulses are unwanted flow",
        fixed_ms=interlocks.METER_BAD_MS,
    ),
)

BY_NUMBER: dict[int, Interlock] = {rule.number: rule for rule in INTERLOCKS}


def step_ms(pump_on: bool) -> int:
    """Milliseconds from one control step to the next."""
    return app.CONTROL_MS if pump_on else app.QUIET_MS
