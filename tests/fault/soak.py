"""Virtual days with random faults, power cuts and host contacts: `python tests/fault/soak.py --days 365`.

What must hold at the end, all from the pulled log and the plant's own truth:

1. Sequence numbers run from 0 to the last without a gap, and no record is damaged: all that was ever
   acknowledged is there, and all else too.
2. Each power-up of the truth has its boot record, in order, with its cause.
3. Each fault of the scenario was raised while it lasted, or stood raised from before.
4. The heap is flat: within a boot and from boot to boot free memory does not go down. Nothing crashed.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
from skidboard import faults, records
from skidwright.log import dataset
from skidwright.sim import board_process, truth
from skidwright.sim.play import play
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import from_table

HOUR_S, DAY_S = 3600, 86400
# Kinds of fault that the board must see within minutes, also at rest, and what it calls them.
SEEN = {
    "stop_input": faults.STOP_INPUT,
    "over_pressure": faults.OVER_PRESSURE,
    "water_loop_broken": faults.WATER_LOOP,
    "temp_loop_broken": faults.TEMP_SENSOR,
}
MARK = "heap"
# In front of the true main.py: now and then a record of the memory that is free.
MEASURE = f"""
import gc
# As main.py does while it compiles: garbage collected late leaves the heap in pieces too small.
gc.threshold(8192)
from skidboard import app, records
gc.threshold(-1)
service = app.App.service
def measured(self):
    service(self)
    hours = self.timebase.uptime_ms() // {2 * HOUR_S * 1000}
    if hours != getattr(self, "_hours", 0):
        self._hours = hours
        gc.collect()
        self.recorder.event(records.MARK, a=gc.mem_free(), text="{MARK}")
app.App.service = measured
"""


def scenario_of(days: float, seed: int) -> dict[str, Any]:
    """A scenario with about three faults and one or two power failures a day, a contact each day or two."""
    dice = random.Random(seed)
    given, contacts = [], []
    slot_s = 4 * HOUR_S
    for slot in range(int(days * DAY_S / slot_s)):
        start = slot * slot_s + dice.randrange(600, 3600)
        kind = dice.choice([*SEEN, "power_off", "power_cut", "power_cut", "air", "none"])
        if kind == "power_cut":
            given.append({"kind": kind, "start": start, "flash_operation": dice.randrange(0, 4)})
        elif kind != "none":
            given.append({"kind": kind, "start": start, "end": start + dice.randrange(1800, 7200)})
        if dice.random() < 0.15 or slot % 12 == 11:
            contacts.append({"at": (slot + 1) * slot_s - 300, "commands": ["reset", "start"]})
    contacts.append({"at": days * DAY_S})
    return {
        "title": "soak", "duration": days * DAY_S, "seed": seed, "fault": given, "contact": contacts,
        "asset": [{"number": 1, "name": "press"}, {"number": 2, "name": "winch"}],
        "settings": {"rest_s": 3600, "sample_volume_ul": 4000, "purge_volume_ul": 20000, "settle_ms": 2000},
    }  # fmt: skip


def run(days: float, seed: int, say: Any = print) -> None:
    """The whole soak. Raises AssertionError when something does not hold."""
    table = scenario_of(days, seed)
    started, cpu = time.monotonic(), time.process_time()
    plain = board_process.firmware_files
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "main.py").write_text(MEASURE + plain()["main.py"].read_text())
        board_process.firmware_files = lambda: {**plain(), "main.py": folder / "main.py"}
        try:
            with VirtualSkid(from_table(table), folder / "skid", seed) as skid:
                played = play(skid, folder / "archive")
        finally:
            board_process.firmware_files = plain
        (path,) = (folder / "archive").rglob("*.skidlog")
        data = dataset.join(list(dataset.read_log(path, dataset.verify_chain(path))))
        _, starts, _ = truth.load(folder / "skid" / "truth.npz")
    seqs = np.sort(np.concatenate([data.samples["seq"], data.events["seq"]]))
    last = played.pulls[-1]
    assert data.report.missing_records == 0 and data.report.totals.total() == 0, data.report.totals
    assert np.array_equal(seqs, np.arange(last.next_seq)), "a number is missing or stands twice"
    assert all(not pull.warnings and not pull.segments_missing for pull in played.pulls)
    raised = check_boots_and_faults(table, data, starts)
    lowest = check_heap(data.events)
    say(
        f"{days:g} virtual days, seed {seed}: {len(data.samples)} samples, {len(seqs)} records, "
        f"{len(starts)} boots, {raised} faults seen of {raised}, {len(played.pulls)} pulls; "
        f"free heap at worst {lowest >> 10} KB below a boot's first figure; "
        f"{time.monotonic() - started:.0f} s, {time.process_time() - cpu:.0f} s of it CPU of the plant"
    )
    assert len(data.samples) > days and len(starts) > 1 and raised > 0, "nothing was tried"


def check_boots_and_faults(table: dict[str, Any], data: dataset.Dataset, starts: Any) -> int:
    """How many faults were looked for, and seen."""
    boots = data.events[data.events["kind"] == records.BOOT]
    assert boots["code"].tolist() == starts["cause"].tolist(), "a power-up without its record"
    assert boots["boot"].tolist() == list(range(1, len(starts) + 1))
    assert not (data.events["kind"] == records.LEAVE).any(), "the firmware crashed"
    rows = data.events[np.isin(data.events["kind"], (records.FAULT_RAISED, records.FAULT_CLEARED))]
    began_s = starts["start_us"] * 1e-6
    at_s = began_s[rows["boot"] - 1] + rows["uptime_ms"] / 1000
    looked_for = 0
    for fault in table["fault"]:
        if fault["kind"] not in SEEN:
            continue
        looked_for += 1
        mine = rows["code"] == SEEN[fault["kind"]]
        raised = rows["kind"] == records.FAULT_RAISED
        during = mine & raised & (at_s >= fault["start"] - 1) & (at_s <= fault["end"] + 1)
        # A trip stays until somebody resets it: then the fault has been on record from before.
        before = np.flatnonzero(
            mine & (at_s < fault["start"]) & (at_s >= began_s[began_s <= fault["start"]][-1])
        )
        assert during.any() or (len(before) and raised[before[-1]]), f"{fault} left no record"
    return looked_for


def check_heap(events: Any) -> int:
    """By how many bytes free memory fell at most below the first figure of its boot."""
    marks = events[(events["kind"] == records.MARK) & (events["text"] == MARK.encode())]
    worst, several = 0, 0
    for boot in np.unique(marks["boot"]):
        free = marks["a"][marks["boot"] == boot].astype(np.int64)
        several += len(free) > 1
        worst = max(worst, int(free[0] - free.min()))
    assert several > 0, "no boot was long enough to show its heap"
    assert worst <= 4096, f"the heap grew by {worst} bytes within a boot"
    first = events["b"][events["kind"] == records.BOOT].astype(np.int64)
    assert first.max() - first.min() <= 4, f"free memory at boot from {first.min()} to {first.max()} KB"
    return worst


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=float, default=365)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    if board_process.micropython() is None:
        sys.exit("soak: no MicroPython for this platform; it measures the heap of the real one")
    try:
        run(options.days, options.seed)
    except AssertionError as broken:
        sys.exit(f"soak: {broken}")
