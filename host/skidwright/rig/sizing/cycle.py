"""Time and storage: flushing, length of a cycle, samples a day, days until the log is full.

How much to flush comes from `skidwright.trade.purge` (laminar convection, Levenspiel).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from skidboard.records import SLOTS

from skidwright.trade.purge import volumes_needed

from .hydraulics import largest_flow_ml_min
from .particles import transport_lines
from .pipe_flow import volume_ml
from .rig_file import Rig


def flush_volumes(dirtier_codes: float, leftover_share: float) -> float:
    """Line volumes to draw when the fluid before may be dirtier by so many scale numbers (factor 2 each).

    Leftovers then falsify the sample by `leftover_share` of its own level at most.
    """
    return float(volumes_needed(2.0**dirtier_codes, 1.0, leftover_share))


@dataclass(frozen=True)
class Cycle:
    """One sampling cycle; volumes in mL, times in s."""

    line_ml: float
    flush_volumes: float
    purge_ml: float
    residence_s: float
    purge_flow_ml_min: float
    purge_s: float
    count_s: float
    cycle_s: float
    samples_a_day: float
    days_of_log: float


def cycle_at(rig: Rig, celsius: float) -> Cycle:
    """The cycle at a temperature; when cold, the purge flow is what the rig can still draw."""
    s = rig.sampling
    line = sum(volume_ml(x.bore_mm, x.length_m) for x in transport_lines(rig))
    dead = rig.pump.dead_volume_ml + rig.counter.dead_volume_ml
    times = flush_volumes(s.dirtier_codes, s.leftover_percent / 100)
    purge = (line + dead) * times
    flow = largest_flow_ml_min(rig, celsius, s.purge_flow_ml_min)
    purge_s = purge / flow * 60 if flow > 0 else math.inf
    count_s = s.volume_ml / s.flow_ml_min * 60
    cycle_s = purge_s + s.settle_s + count_s + s.rest_s
    a_day = 86400 / cycle_s
    records = a_day * (1 + s.extra_records_percent / 100)
    return Cycle(
        line_ml=line + dead,
        flush_volumes=times,
        purge_ml=purge,
        residence_s=(line + dead) / s.flow_ml_min * 60,
        purge_flow_ml_min=flow,
        purge_s=purge_s,
        count_s=count_s,
        cycle_s=cycle_s,
        samples_a_day=a_day,
        days_of_log=s.log_segments * SLOTS / records if records > 0 else math.inf,
    )
