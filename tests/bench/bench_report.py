"""The report over a year of minute samples: the whole command, from the log's file to the written page."""

import subprocess
import sys
import time
from pathlib import Path

import synthetic_log as sl
from row import Row
from skidwright.archive.folder import Archive

SAMPLES = 365 * 24 * 60
TURNS = 3


def rows(folder):
    """One row: the shortest wall time of three runs, each a process of its own."""
    archive = Archive.create(folder / "archive")
    path = archive.log_path(sl.DEVICE.hex(), f"{sl.LOG:08x}")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(sl.good_log(SAMPLES + 2, interval_ms=60_000))
    spent = []
    for turn in range(TURNS):
        out = folder / f"reports_{turn}"
        command = [
            Path(sys.executable).with_name("skidwright"),
            "report",
            "--archive",
            archive.path,
            "-o",
            out,
        ]
        started = time.monotonic()
        done = subprocess.run([str(part) for part in command], capture_output=True, text=True, cwd=folder)
        spent.append(time.monotonic() - started)
        # 1 says that an asset has no target to be judged by, which this one has not.
        assert done.returncode in (0, 1), done.stderr
        assert [page.stat().st_size > 50_000 for page in out.glob("*.html")] == [True], done.stderr
    note = f"{min(spent):.2f} s at best, {max(spent):.2f} s at worst of {TURNS}, start of Python included"
    return [Row(f"report over {SAMPLES:,} minute samples", min(spent), "s", "<= 5", note)]
