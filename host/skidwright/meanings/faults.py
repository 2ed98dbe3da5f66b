"""Every fault of the board in words: what it means, what usually causes it, what to do.

Numbers, names, and which of them trip or hold are in `skidboard.faults`, the
one truth for both ends; this file adds only what a person needs.
"""

from typing import NamedTuple

from skidboard import faults

from skidwright.meanings.interlocks import BY_NUMBER, ENDS_CYCLE, Interlock


class FaultMeaning(NamedTuple):
    """One fault as a person needs it."""

    number: int
    name: str
    meaning: str
    cause: str
    remedy: str

    @property
    def trips(self) -> bool:
        """True when it stops the pump."""
        return bool(faults.TRIPPING >> self.number & 1)

    @property
    def held(self) -> bool:
        """True when only an operator's reset ends the trip."""
        return bool(faults.HELD >> self.number & 1)

    @property
    def interlock(self) -> Interlock | None:
        """The interlock that raises it, if one does."""
        return BY_NUMBER.get(self.number)

    @property
    def reset(self) -> str:
        """How sampling comes back."""
        rule = self.interlock
        return rule.reset_words() if rule else "nothing to reset: it is reported and sampling goes on"

    @property
    def after_trip(self) -> str:
        """What the operator has to do once it has stopped the pump, in one line."""
        rule = self.interlock
        if self.held:
            return "find and remove the cause; then `skidwright tell PORT reset`, and `start` to go on"
        if rule is not None and rule.does == ENDS_CYCLE:
            return "nothing: the next asset is sampled after the rest"
        return "remove the cause; the skid goes on by itself, or at once with `skidwright tell PORT reset`"


# number: (meaning, usual causes, remedy)
_TEXT: dict[int, tuple[str, str, str]] = {
    faults.NO_FLOW: (
        "The pump is driven and the flow meter gives no pulses.",
        "Closed or blocked suction valve, empty tank, very thick cold fluid, pump that has lost its prime, "
        "broken meter wire.",
        "Open the valves and look at the fluid level; let the fluid warm up; then check the meter by hand"
        " with `skidwright watch`.",
    ),
    faults.UNWANTED_FLOW: (
        "Fluid passes although the pump is off.",
        "A selector valve that leaks or sticks open, a burst or loose line downstream of a pressurised "
        "machine, electrical noise on the meter wire.",
        "Isolate the skid from the machine first. Look for leaks without touching any spray. Reset when "
        "the cause is found and a minute has passed without a pulse.",
    ),
    faults.OVER_PRESSURE: (
        "The pressure switch of the sample line has opened.",
        "Sample point under more pressure than the line is rated for, blocked return, failed pressure "
        "reducer, cold thick fluid behind the pump.",
        "Isolate and release the pressure as the machine's procedure says, find the cause, then reset.",
    ),
    faults.FLUID_HOT: (
        "The fluid is hotter than `fluid_hot_cdeg`.",
        "The machine runs hot, its cooler is blocked, or the temperature sensor is scaled wrongly.",
        "Mind the burns. Look at the machine's own temperature; check `temp_low_cdeg` and `temp_high_cdeg`.",
    ),
    faults.STOP_INPUT: (
        "The stop chain is open.",
        "Somebody pressed stop, a guard is open, or a wire of the chain is broken.",
        "Find out who stopped it and why; close the chain; then reset.",
    ),
    faults.BAND_NOT_REACHED: (
        "The flow did not settle in its band in time, and the cycle was skipped.",
        "Cold thick fluid, air in the line, worn pump, band too narrow for this pump and meter; a meter "
        "whose pulses are worth far more or less than `meter_pulse_nl`: the record of the fault says so.",
        "Wait for warmer fluid or heat the line; bleed the air; look at flow and duty in `skidwright watch`.",
    ),
    faults.DUTY_AT_LIMIT: (
        "The pump runs at its highest duty and the flow still stays short of its set-point.",
        "Cold thick fluid, worn or undersized pump, partly blocked suction strainer.",
        "Let the fluid warm up: the asset is tried again when its turn comes. If it is warm, clean the "
        "strainer and compare the flow at full duty with `pump_full_ul_s`; `skidwright size` says from what "
        "temperature on pump and line can do it.",
    ),
    faults.WATER_LOOP: (
        "The water sensor's loop current is outside what NAMUR NE 43 allows for a measurement.",
        "Broken wire or no supply (3.6 mA or less), short circuit or sensor failure (21 mA or more).",
        "Measure the loop current at the terminals; check plug, supply and sensor. Particle counts stay "
        "valid.",
    ),
    faults.TEMP_SENSOR: (
        "The fluid temperature cannot be read.",
        "Broken wire, short circuit, or `temp_source` set to a sensor that is not there.",
        "Measure the loop current or the thermistor's resistance; check `temp_source`.",
    ),
    faults.RUN_TOO_LONG: (
        "The pump ran for longer than `run_limit_s` in one cycle.",
        "Flow far below its set-point, sample or purge volume too large for the flow, a setting changed.",
        "Compare volumes and flow: purge volume / purge flow + sample volume / flow must be well below "
        "the limit. Then reset.",
    ),
    faults.STORAGE: (
        "The log could not be written, or the flash is so full that only the newest records are kept, or the "
        "log was gone and a new one has begun.",
        "The board's flash is full with other files, worn out, damaged, or was formatted.",
        "Pull the log now. If the board has lost its files, run `skidwright salvage PORT` before anything is "
        "written to it. Then remove other files or replace the board; what was pulled is safe.",
    ),
    faults.LOG_OVERWROTE: (
        "The log was full and records that no host had pulled had to be given up.",
        "The log was not pulled often enough for its size and the sampling interval.",
        "Pull more often, sample less often, or raise `log_segments`. The log itself says how many "
        "records went.",
    ),
    faults.SETTINGS_BAD: (
        "The settings file on the board was unreadable or out of range, so all settings are the defaults.",
        "File edited by hand, or written by another version.",
        "Send the settings again: `skidwright settings PORT --send`.",
    ),
    faults.WATCHDOG: (
        "The board restarted because its main loop stood still; the pump was off from the restart on, 3 s "
        "after the last good turn by the default of `watchdog_ms`.",
        "Failing flash, electrical disturbance, or an error in the firmware.",
        "Pull the log and look at what was recorded before. If it comes again, report it with the log.",
    ),
    faults.METER: (
        "The flow meter shows far more flow than the pump can give: its pulses are not of fluid.",
        "Noise on the meter's wire: a missing screen or pull-up, a motor's cable beside it; `meter_pulse_nl` "
        "far too large, or `pump_full_ul_s` far too small.",
        "Look at the pulses with the pump off (`skidwright watch`: there must be none); lay the wire apart, "
        "screen it, and calibrate the meter (`skidwright calibrate flow`). Then reset.",
    ),
    faults.COUNTER: (
        "The particle counter's own line gives no counts: it is silent, cannot be read, has begun anew, or "
        "says that it does not measure. What was counted meanwhile is lost.",
        "Wire off or cores changed over, another baud rate or form of line than in "
        "`docs/counter_drivers.md`, the counter's supply, or `counter_driver` set although it gives pulses.",
        'The record says which: with "nothing came" look at wire and supply, with "bytes came" at baud '
        "rate, form and screen; for a state look in the counter's own manual. Sampling goes on by itself.",
    ),
    faults.LOOP_UNSTEADY: (
        "The water reading did not come to rest before the count.",
        "Line not yet purged, temperature still changing, noise on the loop.",
        "Raise `purge_volume_ul`; keep loop wires away from the pump's; check the earth of the shield.",
    ),
}

FAULTS: tuple[FaultMeaning, ...] = tuple(
    FaultMeaning(number, faults.NAMES[number], *_TEXT[number]) for number in sorted(_TEXT)
)


def by_name(name: str) -> FaultMeaning | None:
    """The fault of that name, or None."""
    return next((fault for fault in FAULTS if fault.name == name), None)
