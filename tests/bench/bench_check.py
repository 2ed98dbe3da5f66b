"""Checking logs of growing size from file to verdicts: time a record stays the same, memory stays bounded."""

import json
import subprocess
import sys
from pathlib import Path

import synthetic_log as sl
from row import Row

SIZES = (100_000, 1_000_000, 10_000_000)


def rows(folder):
    """Rows for each size, each in a process of its own so that its peak memory is its own."""
    found, per_record = [], {}
    for size in SIZES:
        path = folder / "long.skidlog"
        sl.write_long_log(path, size)
        # a short run is repeated, so that one hiccup of the machine does not count for its time
        answers = [_check(path) for _ in range(3 if size <= 1_000_000 else 1)]
        path.unlink()
        assert all(a["records"] == size and a["valid"] == a["samples"] for a in answers)
        seconds = min(a["seconds"] for a in answers)
        per_record[size] = seconds / size
        note = f"{seconds:.2f} s, {per_record[size] * 1e6:.2f} us a record"
        peak_mb = max(a["peak_mb"] for a in answers)
        found.append(Row(f"check {size:,} records: peak memory", peak_mb, "MB", "<= 500", note))
    ratio = max(per_record.values()) / min(per_record.values())
    found.append(Row("check: slowest time a record against the fastest", ratio, "x", "<= 1.5"))
    return found


def _check(path):
    child = Path(__file__).with_name("check_child.py")
    command = [sys.executable, str(child), str(path)]
    out = subprocess.run(command, check=True, capture_output=True, text=True, timeout=1800)
    return json.loads(out.stdout)
