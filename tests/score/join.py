"""Joins each sample record with what truly happened while it was taken. Pure: arrays in, arrays out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from skidwright.sim.scenario import FAULT_BITS
from skidwright.sim.truth import Rows

# A record's times are whole milliseconds, and a row ends on a control step.
_SLACK_US = 2_000
UNPLACED = -1


@dataclass(frozen=True)
class Facts:
    """The truth about `n` samples.

    found: the count's whole time is covered by truth; where not, the other fields mean nothing.
    flow_low_ml_s, flow_high_ml_s: lowest and highest true flow over a second of the count.
    bubbles: counted as particles. air: in the line at any time from the start of purging.
    water_broken: the water loop was open at some time of the count. disturbed: any scripted fault since the
    start of purging. tank_per_ml, sensor_per_ml: (n, 4) mean particles per mL, cumulative, in the machine
    and at the sensor. water_percent: mean water saturation in the machine. faults: bits of scripted faults
    during the count. droplets_per_ml: mean of droplets counted as particles. volume_ml: true volume counted.
    """

    found: NDArray[np.bool_]
    flow_low_ml_s: NDArray[np.float64]
    flow_high_ml_s: NDArray[np.float64]
    bubbles: NDArray[np.int64]
    air: NDArray[np.bool_]
    water_broken: NDArray[np.bool_]
    disturbed: NDArray[np.bool_]
    tank_per_ml: NDArray[np.float64]
    sensor_per_ml: NDArray[np.float64]
    water_percent: NDArray[np.float64]
    faults: NDArray[np.uint32]
    droplets_per_ml: NDArray[np.float64]
    volume_ml: NDArray[np.float64]

    def out_of_band(self, low_ml_s: float, high_ml_s: float) -> NDArray[np.bool_]:
        """Where the true flow left the band."""
        return np.asarray((self.flow_low_ml_s < low_ml_s) | (self.flow_high_ml_s > high_ml_s))


def place_boots(last_uptime_us: dict[int, int], starts: Rows) -> dict[int, int]:
    """Which power-up or reset each boot number of a log belongs to: {boot: index into `starts`, or UNPLACED}.

    Boots follow each other as starts do, and a boot's last record must fit into
    its start's life. A start may have left no record (power failed before), so
    that some boots may be placed in more than one way: those are UNPLACED.
    """
    boots = sorted(last_uptime_us)
    lives = (starts["end_us"] - starts["start_us"]).tolist()
    earliest: dict[int, int] = {}
    at = 0
    for boot in boots:
        while at < len(lives) and lives[at] + _SLACK_US < last_uptime_us[boot]:
            at += 1
        earliest[boot] = at
        at += 1
    latest: dict[int, int] = {}
    at = len(lives) - 1
    for boot in reversed(boots):
        while at >= 0 and lives[at] + _SLACK_US < last_uptime_us[boot]:
            at -= 1
        latest[boot] = at
        at -= 1
    return {b: earliest[b] if earliest[b] == latest[b] and latest[b] >= 0 else UNPLACED for b in boots}


def facts(samples: Rows, rows: Rows, starts: Rows, boots: dict[int, int]) -> Facts:
    """The truth about each of `samples` (dtype `layouts.SAMPLE`).

    `rows` and `starts` are of `truth.ROW` and `truth.START`, `boots` from `place_boots`.
    """
    n = len(samples)
    out = Facts(np.zeros(n, bool), np.full(n, np.nan), np.full(n, np.nan), np.zeros(n, np.int64),
                np.zeros(n, bool), np.zeros(n, bool), np.zeros(n, bool), np.full((n, 4), np.nan),
                np.full((n, 4), np.nan), np.full(n, np.nan), np.zeros(n, np.uint32), np.full(n, np.nan),
                np.full(n, np.nan))  # fmt: skip
    first_us, last_us = rows["start_us"], rows["end_us"]
    for i, sample in enumerate(samples):
        start = boots.get(int(sample["boot"]), UNPLACED)
        if start == UNPLACED:
            continue
        end_us = int(starts["start_us"][start]) + int(sample["uptime_ms"]) * 1000
        begin_us = end_us - int(sample["count_ms"]) * 1000
        run_us = begin_us - int(sample["prepare_ms"]) * 1000
        a = int(np.searchsorted(last_us, begin_us + _SLACK_US, side="right"))
        b = int(np.searchsorted(first_us, end_us - _SLACK_US, side="left"))
        since = int(np.searchsorted(last_us, run_us + _SLACK_US, side="right"))
        if a >= b or int(first_us[a]) > begin_us + _SLACK_US or int(last_us[b - 1]) < end_us - _SLACK_US:
            continue
        if np.any(rows["asset"][a:b] != sample["asset"]):
            continue
        _fill(out, i, rows[a:b], rows[since:b])
        out.volume_ml[i] = _volume_ml(rows[a:b], begin_us, end_us)
    return out


def _fill(out: Facts, i: int, count: Rows, run: Rows) -> None:
    """Facts of sample `i` from the rows of its count and of its whole run."""
    weight = (count["end_us"] - count["start_us"]).astype(np.float64)
    weight /= weight.sum()
    out.found[i] = True
    out.flow_low_ml_s[i] = count["flow_mean_ml_s"].min()
    out.flow_high_ml_s[i] = count["flow_mean_ml_s"].max()
    out.bubbles[i] = count["bubbles"].sum()
    out.air[i] = run["air"].any()
    out.water_broken[i] = (count["faults"] & FAULT_BITS["water_loop_broken"]).any()
    out.disturbed[i] = run["faults"].any()
    out.tank_per_ml[i] = weight @ count["tank_per_ml"]
    out.sensor_per_ml[i] = weight @ count["sensor_per_ml"]
    out.water_percent[i] = weight @ count["water_percent"]
    out.faults[i] = np.bitwise_or.reduce(count["faults"])
    out.droplets_per_ml[i] = weight @ count["droplets_per_ml"]


def _volume_ml(count: Rows, begin_us: int, end_us: int) -> float:
    """Volume that flowed from `begin_us` to `end_us`, rows at either end taken in part."""
    took_us = np.minimum(count["end_us"], end_us) - np.maximum(count["start_us"], begin_us)
    return float(np.maximum(took_us, 0) @ count["flow_mean_ml_s"]) * 1e-6
