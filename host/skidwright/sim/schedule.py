"""Which scripted faults are active when."""

from __future__ import annotations

import math
from collections.abc import Sequence

from skidwright.sim.scenario_keys import FAULT_KINDS, HOUR_S, Fault

POWER_KINDS = ("power_off", "power_cut")
# Bit of each kind in the truth's `faults`.
FAULT_BITS = {kind: 1 << i for i, kind in enumerate(FAULT_KINDS)}


def amount(fault: Fault) -> float:
    """A fault's amount, or its kind's default."""
    return fault.amount if fault.amount >= 0 else FAULT_KINDS[fault.kind][1]


class Schedule:
    """The faults of a scenario in virtual time. `update` says what is active now."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self._plain: list[Fault] = []
        self._edges: list[float] = []
        for fault in faults:
            if fault.kind not in POWER_KINDS:
                self.add(fault)
        self._power = sorted((f for f in faults if f.kind in POWER_KINDS), key=lambda f: f.start_s)
        self.next_power_us = self._next_power_us()

    def add(self, fault: Fault) -> None:
        """Take one more fault (none of the supply)."""
        self._plain.append(fault)
        self._edges = sorted({*self._edges, fault.start_s, *([fault.end_s] if fault.end_s >= 0 else [])})

    def update(self, t_s: float, asset: int) -> tuple[dict[str, float], list[int], float]:
        """Faults active at `t_s` for `asset`: {kind: amount}, dead channels, time of the next change."""
        active = {}
        dead = []
        for f in self._plain:
            if f.start_s <= t_s and (f.end_s < 0 or t_s < f.end_s) and f.asset in (0, asset):
                active[f.kind] = amount(f)
                if f.kind == "dead_channel":
                    dead.append(f.channel - 1)
                elif f.kind == "swapped_channels":
                    active[f.kind] = f.channel
                elif f.kind == "meter_drift":
                    active[f.kind] *= (t_s - f.start_s) / HOUR_S
        change = next((e for e in self._edges if e > t_s), math.inf)
        return active, dead, change

    def _next_power_us(self) -> int:
        return round(self._power[0].start_s * 1e6) if self._power else 1 << 62

    def take_power(self) -> Fault:
        """The next fault of the supply, taken off the list; `next_power_us` moves on."""
        fault = self._power.pop(0)
        self.next_power_us = self._next_power_us()
        return fault
