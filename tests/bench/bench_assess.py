"""Judgement over 200 assets with five years of hourly samples each, and how its cost grows.

The large row feeds arrays straight into the judgement (8.8 million samples; as an archive they would be 1.3
GB): the same 20 histories are judged ten times, each time anew. The row below it runs the whole command on
an archive of 20 assets with a year of hourly samples each, reading and checking included.
"""

import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import synthetic_log as sl
from row import Row
from skidboard import records
from skidwright.archive.folder import Archive
from skidwright.register.model import AssetRecord
from skidwright.samples import history
from skidwright.standing import standing
from skidwright.standing.goals import Goals

HOURS = 5 * 365 * 24
ASSETS, DISTINCT = 200, 20
ARCHIVED_ASSETS, ARCHIVED_HOURS = 20, 365 * 24
START = np.datetime64("2021-01-01T00:00:00", "ms")
PER_ML = np.array(sl.PER_ML)


def made(seed):
    """Five years of hourly samples of one asset: Poisson counts, scatter of a tenth, water and
    temperature."""
    rng = np.random.default_rng(seed)
    level = np.exp2(0.15 * rng.standard_normal(HOURS))[:, None] * PER_ML
    classes = level - np.c_[level[:, 1:], np.zeros(HOURS)]
    counts = np.cumsum(rng.poisson(classes * 30)[:, ::-1], axis=1)[:, ::-1]
    return history.of_arrays(
        START + np.arange(HOURS).astype("timedelta64[h]"),
        counts,
        30.0,
        water_percent=30 + 0.5 * rng.standard_normal(HOURS),
        temperature_c=45 + rng.standard_normal(HOURS),
    )


def spent(histories, assets):
    """CPU seconds to judge and rank so many assets, threads included."""
    record = AssetRecord(1, "machine", target=(19, 17, 14), water_limit_percent=90.0, coldest_c=40.0)
    start = time.process_time()
    goals = Goals((*record.target, None), record.water_limit_percent, record.coldest_c)
    now = np.datetime64("2026-01-01")
    found = standing.ranked(
        standing.stand(histories[i % len(histories)], record, goals, now) for i in range(assets)
    )
    assert len(found) == assets
    return time.process_time() - start


def rows(folder):
    """Three rows: the time, its growth from 50 to 200 assets, and the whole command on an archive."""
    histories = [made(seed) for seed in range(DISTINCT)]
    spent(histories, 2)  # limits of the charts are worked out once
    took = {assets: spent(histories, assets) for assets in (50, 100, ASSETS)}
    each = ", ".join(f"{assets}: {seconds:.1f} s" for assets, seconds in took.items())
    return [
        Row(
            f"assess: {ASSETS} assets x {HOURS:,} hourly samples, from arrays",
            took[ASSETS],
            "s",
            "<= 60",
            f"CPU time; {took[ASSETS] / ASSETS * 1000:.0f} ms an asset",
        ),
        Row(
            "assess: 200 assets against 50",
            took[ASSETS] / took[50],
            "x",
            "<= 5",
            f"4 would be linear; {each}",
        ),
        _whole_command(folder),
    ]


def _whole_command(folder):
    archive = Archive.create(folder / "archive")
    path = archive.log_path(sl.DEVICE.hex(), f"{sl.LOG:08x}")
    path.parent.mkdir(parents=True, exist_ok=True)
    n = ARCHIVED_ASSETS * ARCHIVED_HOURS
    body = sl.samples(
        n,
        first_seq=2,
        assets=tuple(range(1, ARCHIVED_ASSETS + 1)),
        interval_ms=3_600_000 // ARCHIVED_ASSETS,
    )
    boot = sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0")
    path.write_bytes(sl.log_bytes(sl.merged(boot, sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000), body)))
    command = [str(Path(sys.executable).with_name("skidwright")), "assess", "--archive", str(archive.path)]
    started = time.monotonic()
    done = subprocess.run(command, capture_output=True, text=True, cwd=folder)
    took = time.monotonic() - started
    # 1 says that something needs attention: no target was set
    assert done.returncode == 1, done.stderr
    assert f"{ARCHIVED_ASSETS} assets" in done.stdout
    note = f"{path.stat().st_size / 1e6:.0f} MB of log; start of Python included"
    return Row(f"assess: archive of {n:,} samples of {ARCHIVED_ASSETS} assets", took, "s", "<= 30", note)
