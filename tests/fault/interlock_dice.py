"""What a trial of an interlock draws: fault, settings, scenario, and the moment within a state."""

from __future__ import annotations

import random
from typing import Any

from skidboard import faults, sequence

# Kinds of fault of the virtual skid that provoke each rule.
KINDS: dict[int, tuple[str, ...]] = {
    faults.NO_FLOW: ("meter_stuck", "pump_stall", "blocked_line"),
    faults.UNWANTED_FLOW: ("unwanted_flow",),
    faults.OVER_PRESSURE: ("over_pressure",),
    faults.STOP_INPUT: ("stop_input",),
    faults.FLUID_HOT: ("hot_fluid", "temp_loop_at"),
    faults.BAND_NOT_REACHED: ("blocked_line",),
    faults.DUTY_AT_LIMIT: ("blocked_line",),
    faults.WATER_LOOP: ("water_loop_broken", "water_loop_at"),
    faults.TEMP_SENSOR: ("temp_loop_broken", "temp_loop_at"),
    faults.RUN_TOO_LONG: ("blocked_line",),
    faults.METER: ("meter_noise",),
}
# Kinematic viscosities at 40 and 100 degC of five mineral oils (typical data-sheet values, from memory).
OILS = ((15.0, 3.5), (32.0, 5.4), (46.0, 6.8), (68.0, 8.7), (100.0, 11.2))
AIR_C = 12.0
COOLING = 0.15


class Dice:
    """Everything random of one trial, from its seed. `values` are the board's settings."""

    def __init__(self, number: int, state: int, seed: int) -> None:
        self.dice = random.Random(seed)
        self.number = number
        self.state = state
        kinds = KINDS[number]
        if number == faults.FLUID_HOT and state in (sequence.STANDBY, sequence.REST, sequence.TRIPPED):
            kinds = ("temp_loop_at",)  # fluid that stands does not become hot in a moment
        self.kind = self.dice.choice(kinds)
        self.choked = self.kind == "blocked_line" and number != faults.NO_FLOW
        # What takes its time to show needs a long count for it.
        self.slow = self.choked or self.kind in ("hot_fluid", "meter_noise")
        self.fluid_c = self.dice.uniform(15, 60)
        self.values = self._settings()
        self.table = self._table(seed)
        self.amount = self._amount()
        self.offset_ms = self.dice.random() * self._span_ms()
        if self.choked and state == sequence.MANUAL:
            # A choke from the start on leaves a trickle that is no flow at all, which is another rule's.
            self.offset_ms += 6000.0

    def _settings(self) -> dict[str, Any]:
        dice, number, state = self.dice, self.number, self.state
        values: dict[str, Any] = {
            "autostart": 0 if state in (sequence.STANDBY, sequence.MANUAL, sequence.TRIPPED) else 1,
            "purge_volume_ul": dice.randrange(20000, 60000),
            "sample_volume_ul": dice.randrange(12000, 30000),
            "settle_ms": dice.randrange(8000, 15000),
            "rest_s": dice.randrange(600, 1200) if state == sequence.REST else dice.randrange(20, 60),
            "trip_hold_s": dice.randrange(3, 20),
            "no_flow_ms": dice.randrange(3000, 20000),
            "unwanted_flow_ul": dice.randrange(500, 8000),
            "fluid_hot_cdeg": dice.randrange(7000, 8800),
            "duty_limit_ms": dice.randrange(3000, 30000),
            "stop_also": dice.randrange(8),
            "assets": list(range(1, dice.randrange(1, 4) + 1)),
        }
        if self.slow:
            values["sample_volume_ul"] = dice.randrange(110000, 130000)
        if number == faults.METER:
            # Half a second of noise is some 15 mL by the meter.
            values["purge_volume_ul"] = 100000
        if self.choked:
            # What is chosen here makes the choke break this rule and no other one, in the state wanted.
            values["no_flow_ms"] = dice.randrange(8000, 20000)
            if state == sequence.PRIME:
                values["purge_volume_ul"] = 100000
        if number in (faults.NO_FLOW, faults.BAND_NOT_REACHED, faults.RUN_TOO_LONG):
            values["duty_limit_ms"] = 600000
        if number == faults.BAND_NOT_REACHED:
            values["prime_limit_s"] = dice.randrange(60, 90)
            values["settle_limit_s"] = dice.randrange(20, 60)
        if number == faults.RUN_TOO_LONG:
            low, high = {sequence.COUNT: (200, 260), sequence.PRIME: (100, 150)}.get(state, (120, 180))
            values |= {
                "settle_limit_s": 3600,
                "prime_limit_s": 3600,
                "run_limit_s": dice.randrange(low, high),
            }
        return values

    def _table(self, seed: int) -> dict[str, Any]:
        assets = []
        for number in self.values["assets"]:
            v40, v100 = self.dice.choice(OILS)
            assets.append({
                "number": number, "name": f"machine {number}", "v40_mm2_s": v40, "v100_mm2_s": v100,
                "fluid_c": [[0, self.fluid_c]], "water_percent": [[0, self.dice.uniform(5, 80)]],
            })  # fmt: skip
        start_ms = self.dice.choice((0, (1 << 30) - self.dice.randrange(1000, 200000)))
        return {"title": "interlock", "duration": 86400, "seed": seed, "settings": self.values,
                "asset": assets, "board": {"ticks_start_ms": start_ms}, "line": {"cooling": COOLING},
                "temperature": {"air_c": AIR_C, "swing_c": 0}}  # fmt: skip

    def _amount(self) -> float:
        dice, limit_c = self.dice, self.values["fluid_hot_cdeg"] / 100
        if self.kind == "blocked_line":
            return dice.uniform(0.88, 0.92) if self.choked else 1.0
        if self.kind == "meter_noise":
            return dice.uniform(120, 180)
        if self.kind == "unwanted_flow":
            return dice.uniform(30, 1500)
        if self.kind == "hot_fluid":
            return limit_c + dice.uniform(4, 10) - (self.fluid_c + (AIR_C - self.fluid_c) * COOLING)
        if self.number == faults.FLUID_HOT:
            return 4000 + 160 * (limit_c + dice.uniform(1, 8))
        if self.kind.endswith("_at"):
            return dice.choice((dice.uniform(500, 3500), dice.uniform(21200, 24000)))
        return -1.0

    def _span_ms(self) -> float:
        """Milliseconds from entering the state within which the fault is to begin."""
        values = self.values
        # At 2 mL/s and 0.83 mL/s; a choke has to come while there is much left to do.
        share = 0.3 if self.slow else 0.9
        return {
            sequence.PRIME: values["purge_volume_ul"] / 2.0 * share,
            sequence.SETTLE: values["settle_ms"] - 6000.0 if self.choked else values["settle_ms"] * 0.9,
            sequence.COUNT: values["sample_volume_ul"] / 0.9 * share,
            sequence.REST: 300000.0,
            sequence.STANDBY: 90000.0,
            sequence.TRIPPED: 30000.0,
            sequence.MANUAL: 25000.0,
        }[self.state]
