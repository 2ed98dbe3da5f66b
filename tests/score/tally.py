"""Verdicts of an archive compared with what truly happened, as numbers that add up over seeds."""

from __future__ import annotations

from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from score.join import facts, place_boots
from skidwright.archive.folder import Archive
from skidwright.checks import VALID, SettingsHistory, judge
from skidwright.formulas import iso4406
from skidwright.log import dataset
from skidwright.log.timeline import TimelineBuilder
from skidwright.sim import truth
from skidwright.sim.play import config_of
from skidwright.sim.scenario_keys import Scenario

_COUNTS, _WATER, _TEMPERATURE = 0, 1, 2


@dataclass
class Tally:
    """Numbers of samples (and of scale numbers, three a sample), added up over seeds."""

    samples: int = 0
    unplaced: int = 0  # truth could not be found for them
    bad_flow: int = 0
    air: int = 0
    bad_flow_or_air: int = 0
    bad_flow_or_air_valid: int = 0
    loop_broken: int = 0
    loop_broken_valid: int = 0
    good: int = 0
    good_not_valid: int = 0
    valid: int = 0
    numbers: int = 0
    numbers_within_one: int = 0
    numbers_equal: int = 0

    def add(self, other: Tally) -> None:
        """Add another tally to this one."""
        for f in fields(self):
            setattr(self, f.name, getattr(self, f.name) + getattr(other, f.name))


def tally(samples: truth.Rows, verdict: NDArray[np.uint8], codes: NDArray[np.uint8], rows: truth.Rows,
          starts: truth.Rows, boots: dict[int, int], band_ml_s: tuple[float, float]) -> Tally:  # fmt: skip
    """Compare verdicts (n, 4) and scale numbers (n, 4) with the truth.

    `band_ml_s` is the band of flow in which the counter is valid; the rest is as for `join.facts`.
    """
    known = facts(samples, rows, starts, boots)
    found = known.found
    bad_flow = found & known.out_of_band(*band_ml_s)
    air = found & (known.bubbles > 0)
    bad = bad_flow | air
    broken = found & known.water_broken
    good = found & ~bad & ~known.air & ~known.disturbed
    valid_counts = verdict[:, _COUNTS] == VALID
    all_valid = (verdict[:, (_COUNTS, _WATER, _TEMPERATURE)] == VALID).all(axis=1)
    valid = found & valid_counts
    off = np.abs(
        codes[valid, :3].astype(int) - iso4406.scale_numbers(known.tank_per_ml[valid, :3]).astype(int)
    )
    count = np.count_nonzero
    return Tally(
        samples=len(samples),
        unplaced=int(count(~found)),
        bad_flow=int(count(bad_flow)),
        air=int(count(air)),
        bad_flow_or_air=int(count(bad)),
        bad_flow_or_air_valid=int(count(bad & valid_counts)),
        loop_broken=int(count(broken)),
        loop_broken_valid=int(count(broken & (verdict[:, _WATER] == VALID))),
        good=int(count(good)),
        good_not_valid=int(count(good & ~all_valid)),
        valid=int(count(valid)),
        numbers=int(off.size),
        numbers_within_one=int(count(off <= 1)),
        numbers_equal=int(count(off == 0)),
    )


def score_archive(archive: Path, truth_file: Path, scenario: Scenario) -> Tally:
    """Judge an archive and compare it with its truth. Raises SkidwrightError, OSError."""
    config = config_of(scenario, archive)
    settings: dict[str, Any] = dict(config.board_in_force())
    band = (settings["flow_low_ul_s"] / 1000, settings["flow_high_ul_s"] / 1000)
    rows, starts, _ = truth.load(truth_file)
    total = Tally()
    place = Archive.open(archive)
    for device in place.devices():
        for log in place.logs(device):
            path = place.log_path(device, log)
            data = dataset.join(list(dataset.read_log(path, dataset.verify_chain(path))))
            builder = TimelineBuilder()
            builder.add(data.samples, data.events)
            history = SettingsHistory(settings)
            history.learn(data.events)
            verdicts = judge(data, config.limits(), history, builder.build())
            last_us = {boot: uptime_ms * 1000 for boot, uptime_ms in builder.last_uptime_ms.items()}
            total.add(
                tally(
                    data.samples,
                    verdicts.verdict,
                    verdicts.codes,
                    rows,
                    starts,
                    place_boots(last_us, starts),
                    band,
                )
            )
    return total
