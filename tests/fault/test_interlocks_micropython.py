"""Each interlock once under real MicroPython, behind a real port, judged by the log that a host pulls."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from sim.skids import needs_micropython
from skidboard import faults, records, settings
from skidwright.log import dataset
from skidwright.meanings.interlocks import BY_NUMBER, ENDS_CYCLE, LATE_MS, step_ms
from skidwright.sim.play import play
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import from_table

QUICK = {"purge_volume_ul": 20000, "settle_ms": 5000, "sample_volume_ul": 30000, "rest_s": 300}


@dataclass(frozen=True)
class Case:
    """A fault at `start_s`, settings for it, the moment the rule counts from, and what more it may take."""

    number: int
    kind: str
    start_s: float
    from_s: float
    amount: float = -1.0
    more_s: float = 0.0
    settings: dict[str, Any] = field(default_factory=dict)


CASES = (
    Case(faults.NO_FLOW, "meter_stuck", 5.3, 5.3, settings={"no_flow_ms": 4000}),
    # At rest the plant goes by steps of a second, and a fault begins with the step after its time.
    Case(faults.UNWANTED_FLOW, "unwanted_flow", 20.4, 20.4, 500.0, 1.0,
         settings={"autostart": 0, "unwanted_flow_ul": 2000}),
    Case(faults.OVER_PRESSURE, "over_pressure", 6.2, 6.2),
    Case(faults.FLUID_HOT, "temp_loop_at", 7.1, 7.1, 19000.0),
    Case(faults.STOP_INPUT, "stop_input", 22.7, 22.7),
    Case(faults.BAND_NOT_REACHED, "blocked_line", 1.0, 0.0, 0.9, settings={"prime_limit_s": 30}),
    # Duty climbs to its limit first, as fast as the controller likes.
    Case(faults.DUTY_AT_LIMIT, "blocked_line", 25.0, 25.0, 0.9, 15.0,
         settings={"settle_ms": 60000, "duty_limit_ms": 5000}),
    Case(faults.WATER_LOOP, "water_loop_broken", 8.6, 8.6, settings={"stop_also": 1}),
    Case(faults.TEMP_SENSOR, "temp_loop_broken", 9.9, 9.9, settings={"stop_also": 2}),
    Case(faults.RUN_TOO_LONG, "blocked_line", 2.0, 0.0, 0.5,
         settings={"purge_volume_ul": 5000000, "run_limit_s": 30}),
)  # fmt: skip


@needs_micropython
@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: faults.NAMES[case.number].replace(" ", "-"))
def test_it_stops_the_pump_in_its_time_and_leaves_its_records(case: Case, tmp_path: Path) -> None:
    rule = BY_NUMBER[case.number]
    values = {**settings.defaults(), **QUICK, **case.settings}
    stated_s = rule.trip_ms(values, rule.states[0], 500.0) / 1000
    latest_s = case.from_s + stated_s + (step_ms(case.number != faults.UNWANTED_FLOW) + LATE_MS) / 1000
    latest_s += case.more_s
    table = {
        "title": rule.name, "duration": latest_s + 5, "asset": [{"number": 1, "name": "press"}],
        "settings": {**QUICK, **case.settings},
        "fault": [{"kind": case.kind, "start": case.start_s, "amount": case.amount}],
        "contact": [{"at": latest_s + 5}],
    }  # fmt: skip
    with VirtualSkid(from_table(table), tmp_path / "skid", 3, python_board="micropython") as skid:
        play(skid, tmp_path / "archive")
        plant = skid._supervisor.plant
        assert plant.duty_permille == 0 and plant.outputs & 0xFF == 0
    (path,) = (tmp_path / "archive").rglob("*.skidlog")
    events = dataset.join(list(dataset.read_log(path))).events
    kind = records.SKIPPED if rule.does == ENDS_CYCLE else records.TRIP
    raised, acted = (
        events[(events["kind"] == k) & (events["code"] == case.number)] for k in (records.FAULT_RAISED, kind)
    )
    assert len(raised) == 1 and len(acted) == 1, [faults.NAMES[n] for n in events["code"]]
    took_s = int(acted["uptime_ms"][0]) / 1000
    print(
        f"figure: MicroPython, {rule.name}: acted {took_s - case.from_s:.2f} s after, stated {stated_s:.2f} s"
    )
    assert case.from_s + stated_s - 1.3 <= took_s <= latest_s
