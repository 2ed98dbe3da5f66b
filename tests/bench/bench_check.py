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
        child = Path(__file__).with_name("check_child.py")
        out = subprocess.run(
            [sys.executable, str(child), str(path)], check=True, capture_output=True, text=True, timeout=1800
        )
        path.unlink()
        answer = json.loads(out.stdout)
        assert answer["records"] == size and answer["valid"] == answer["samples"]
        per_record[size] = answer["seconds"] / size
        note = f"{answer['seconds']:.2f} s, {per_record[size] * 1e6:.2f} us a record"
        found.append(Row(f"check {size:,} records: peak memory", answer["peak_mb"], "MB", "<= 500", note))
    ratio = max(per_record.values()) / min(per_record.values())
    found.append(Row("check: slowest time a record against the fastest", ratio, "x", "<= 1.5"))
    return found
