"""Days of a skid in good order, on the skid in one process: nothing may trip, nor any fault be raised."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from fault.skid_in_process import Done, SkidInProcess
from skidboard import records
from skidwright.log import dataset

DAY_S = 86400
# Weather and work of a machine: cold at night, warm when it runs.
_MORNING_S, _EVENING_S = 7 * 3600, 18 * 3600


def scenario_of(days: float) -> dict[str, Any]:
    """Three machines with oils from thin to thick, cold every night and warm every day; dirt let in now and
    then, water that rises and falls."""  # fmt: skip
    assets = []
    for number, (v40, v100, warm_c) in enumerate(((32, 5.4, 55), (46, 6.8, 65), (100, 11.2, 72)), 1):
        fluid_c = []
        for day in range(int(days) + 1):
            for at_s, degrees in (
                (0, 12),
                (_MORNING_S, 10),
                (_MORNING_S + 5400, warm_c),
                (_EVENING_S, warm_c),
            ):
                fluid_c.append([day * DAY_S + at_s, degrees])
        water = [[day * DAY_S, 20 + 30 * (day % 3)] for day in range(int(days) + 2)]
        assets.append({"number": number, "name": f"machine {number}", "v40_mm2_s": v40, "v100_mm2_s": v100,
                       "fluid_c": fluid_c, "water_percent": water})  # fmt: skip
    top_ups = [
        {"asset": 1 + day % 3, "at": day * DAY_S + 30000, "adds_4um_per_ml": 4000}
        for day in range(0, int(days), 5)
    ]
    return {
        "title": "normal running", "duration": days * DAY_S, "asset": assets, "top_up": top_ups,
        "settings": {"assets": [1, 2, 3], "rest_s": 1500, "log_segments": 2000},
    }  # fmt: skip


def normal_running(days: float, folder: Path, seed: int = 1, say: Callable[[str], None] = print) -> int:
    """Run `days` virtual days; the number of samples. Raises AssertionError when anything was at fault."""
    started = time.process_time()
    skid = SkidInProcess(scenario_of(days), seed, folder)
    app, plant = skid.app, skid.plant
    watch, values = app.process.interlocks, app.settings
    end_us = round(days * DAY_S * 1e6)
    silent_ms = run_ms = hottest = leaked_ul = steps = 0

    def look() -> None:
        nonlocal silent_ms, run_ms, hottest, leaked_ul, steps
        steps += 1
        silent_ms = max(silent_ms, watch._silent_ms)
        run_ms = max(run_ms, watch._run_ms)
        leaked_ul = max(leaked_ul, watch.leaked_ul)
        hottest = max(hottest, app.process.temp.value)
        if plant.t_us >= end_us:
            raise Done

    skid.watch = look
    skid.run()
    found = dataset.decode(skid.log_bytes())
    kinds = found.events["kind"]
    trips, raised, skipped = (
        int((kinds == kind).sum()) for kind in (records.TRIP, records.FAULT_RAISED, records.SKIPPED)
    )
    samples = len(found.samples)
    say(
        f"{days:g} virtual days of normal running: {samples} samples, {trips} trips, {raised} faults raised, "
        f"{skipped} cycles skipped; {steps} control steps; {time.process_time() - started:.0f} s of CPU"
    )
    say(
        f"closest to their limits: no flow {silent_ms / values['no_flow_ms']:.0%}, "
        f"unwanted flow {leaked_ul / values['unwanted_flow_ul']:.0%}, "
        f"run {run_ms / values['run_limit_s'] / 1000:.0%}, "
        f"fluid {hottest / 100:.1f} of {values['fluid_hot_cdeg'] / 100:g} degC"
    )
    names = np.unique(found.events["code"][kinds == records.FAULT_RAISED]).tolist()
    assert trips == 0 and raised == 0 and skipped == 0, f"fault numbers {names}"
    assert samples >= 45 * days, "hardly anything was sampled"
    assert found.report.totals.total() == 0 and found.report.missing_records == 0
    return samples
