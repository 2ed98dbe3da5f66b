"""Records that cannot be, under CRCs that are right, through every command that reads an archive.

    python tests/fault/absurd_records.py --trials 2000        (make absurd)

Each trial spoils fields of some records of an invented log, with values at the ends of their range and some
between, makes CRCs and chain right again, and runs commands on it. What must hold of each: exit status 0, 1
or 2 as it says, never "unexpected", no warning of Python's, JSON that is JSON, and no longer than 20 s.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime
import io
import json
import os
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path
from unittest import mock

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import synthetic_log as sl
from skidboard import records, settings
from skidwright.cli import app
from skidwright.log import layouts

TOO_LONG_S = 20.0
# The invented log begins on 2026-01-01: commands judge it two days later.
NOW = datetime.datetime(2026, 1, 3, tzinfo=datetime.UTC)
SKID_TOML = """
[[asset]]
number = 1
name = "Invented mill"
target = "18/16/13"
water_limit_percent = 50
coldest_c = 5

[[asset]]
number = 2
name = "Invented press"
target = "20/18/15"
"""
COMMANDS: tuple[tuple[str, ...], ...] = (
    ("check", "--all"),
    ("check", "--json", "--all"),
    ("check", "--json"),
    ("assess",),
    ("assess", "--asset", "1"),
    ("assess", "--json"),
    ("report", "-o", "reports"),
    ("report", "--json", "-o", "reports"),
    ("export", "samples.csv"),
    ("export", "samples.parquet"),
    ("cleanup",),
    ("cleanup", "--json"),
    ("receive", "--asset", "1", "--lot", "L1", "--by", "A. Moe"),
    ("receive", "--asset", "1", "--lot", "L1", "--by", "A. Moe", "--json"),
    ("certificate", "--asset", "1", "--by", "A. Moe", "-o", "paper.html"),
    ("certificate", "--asset", "2", "--by", "A. Moe", "-o", "paper2.html", "--json"),
    ("verify", "good.html"),
    ("verify", "good.html", "--json"),
    ("slip", "--asset", "1"),
    ("asset", "list"),
    ("asset", "list", "--json"),
    ("asset", "show", "1"),
    ("asset", "show", "1", "--json"),
    ("backup", "kept.zip"),
)
_KINDS = list(records.KIND_NAMES)


def invented_log() -> np.ndarray:
    """80 records: two boots, samples of two assets, and an event of every kind with sensible content."""
    digest = settings.digest(settings.defaults())
    first = sl.samples(40, first_seq=2, assets=(1, 2))
    second = sl.samples(24, seed=2, first_seq=56, assets=(1, 2), boot=2)
    at = 30_000_000
    events = [
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0", a=digest),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        sl.event(records.FAULT_RAISED, 42, 1, at, code=3, faults=8),
        sl.event(records.FAULT_CLEARED, 43, 1, at + 1000, code=3),
        sl.event(records.TRIP, 44, 1, at + 2000, code=3, asset=1),
        sl.event(records.SETTING, 45, 1, at + 3000, a=digest, text="rest_s=60"),
        sl.event(records.MARK, 46, 1, at + 4000, text="oil changed", asset=1),
        sl.event(records.SKIPPED, 47, 1, at + 5000, code=3, asset=1),
        sl.event(records.BY_HAND, 48, 1, at + 6000, code=1, a=300, b=60),
        sl.event(records.CLEANUP, 49, 1, at + 7000, asset=1, code=0, a=0x0D1012, b=3, c=3600, d=0),
        sl.event(records.CLEANUP, 50, 1, at + 8000, asset=1, code=1, a=3, b=5, c=1200, d=3),
        sl.event(records.LEAVE, 51, 1, at + 9000),
        sl.event(records.BOOT, 52, 2, 10, text="skidboard 0.1.0", a=digest, utc_ms=sl.START_UTC_MS + at * 2),
        sl.event(records.RECOVERED, 53, 2, 20, a=1, b=2),
        sl.contact(54, 2, 60_000, sl.START_UTC_MS + at * 2),
        sl.event(records.RECLAIM, 55, 2, 70_000, a=1, b=28, c=0, d=27),
    ]
    return sl.merged(first, second, *events)


def _extreme(rng: np.random.Generator, kind: np.dtype) -> int:
    info = np.iinfo(kind)
    picks = [info.min, info.max, info.max - 1, info.min + 1, info.max // 2, 0, 1,
             int(rng.integers(info.min, info.max, endpoint=True, dtype=kind)),
             min(int(2 ** rng.uniform(0, info.bits)), info.max)]  # fmt: skip
    return int(picks[rng.integers(len(picks))])


def spoiled(rng: np.random.Generator) -> bytes:
    """The bytes of the invented log with some records made absurd."""
    rows = invented_log().copy()
    count = int(rng.choice([1, 1, 1, 2, 3, 10, len(rows)]))
    one_field = rng.random() < 0.5
    chosen = rng.choice(len(rows), count, replace=False)
    picked: str | None = None
    for i in chosen.tolist():
        is_sample = rows["kind"][i] == records.SAMPLE
        row = rows[i : i + 1].view(layouts.SAMPLE if is_sample else layouts.EVENT)
        names = [n for n in row.dtype.names if n not in ("crc", "seq", "kind", "layout")]
        # Numbers, kinds and layouts are spoiled too, but seldom: most of the rest follows from them.
        names += [n for n in ("seq", "kind", "layout") if rng.random() < 0.05]
        many = 1 if one_field else int(rng.integers(1, len(names)))
        for name in rng.choice(names, many, replace=False).tolist() if picked is None else [picked]:
            column = row[name]
            if column.dtype.kind == "S":
                row[name] = rng.bytes(int(rng.integers(0, 88)))
            elif name == "kind":
                row[name] = rng.choice([*_KINDS, 0, 99, 255])
            elif column.ndim == 1:
                row[name] = _extreme(rng, column.dtype)
            else:
                row[name] = [[_extreme(rng, column.dtype) for _ in range(column.shape[1])]]
    return sl.log_bytes(rows)


class Shop:
    """A folder with an archive and a skid.toml, and commands run in it in this process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.log = folder / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
        self.log.parent.mkdir(parents=True)
        (folder / "archive" / "archive.json").write_text('{"format": 1}\n')
        (folder / "skid.toml").write_text(SKID_TOML)
        self.log.write_bytes(sl.log_bytes(invented_log()))
        os.environ["XDG_DATA_HOME"] = str(folder / "data")
        os.environ["XDG_CONFIG_HOME"] = str(folder / "config")
        os.environ["NO_COLOR"] = "1"
        os.environ["SKIDWRIGHT_ARCHIVE"] = str(folder / "archive")
        os.chdir(folder)
        status, _, err = self.run(
            "certificate", "--asset", "2", "--target", "24/22/20", "--by", "A. Moe", "-o", "good.html"
        )
        assert status == 0, err

    def run(self, *arguments: str) -> tuple[int, str, str]:
        """Exit status, standard output and standard error of one command line."""
        out, err = io.StringIO(), io.StringIO()
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            mock.patch("skidwright.cli.options.utc", lambda: NOW),
        ):
            status = app.run(arguments)
        return status, out.getvalue(), err.getvalue()

    def complaint(self, *arguments: str) -> str:
        """What is wrong with how a command took it; empty when nothing is."""
        started = time.process_time()  # of this process alone, so that a busy machine is no hang
        with warnings.catch_warnings(record=True) as warned:
            warnings.simplefilter("always")
            warnings.simplefilter("ignore", ResourceWarning)  # of another test, whenever it is collected
            status, out, err = self.run(*arguments)
        said = "; ".join(line for line in err.splitlines() if "unexpected" in line)
        if said:
            return said
        if warned:
            return f"warning: {warned[0].message} ({Path(warned[0].filename).name}:{warned[0].lineno})"
        if time.process_time() - started > TOO_LONG_S:
            return f"took {time.process_time() - started:.0f} s"
        if status not in (0, 1, 2) or (status == 2 and not err.strip()):
            return f"exit status {status}: {err}"
        if "--json" in arguments and status != 2:
            try:
                json.loads(out, parse_constant=no_constant)
            except ValueError as error:
                return f"not JSON: {error}"
        return ""


def no_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")


def sweep(folder: Path, first: int, trials: int, commands_each: int, say: bool = False) -> Counter[str]:
    """Complaints, each with how often, over so many trials from `first` on; "runs" counts all runs."""
    shop = Shop(folder)
    found: Counter[str] = Counter()
    for trial in range(first, first + trials):
        rng = np.random.default_rng([trial, 77])
        shop.log.write_bytes(spoiled(rng))
        for k in range(commands_each):
            command = COMMANDS[(trial * commands_each + k) % len(COMMANDS)]
            found["runs"] += 1
            complaint = shop.complaint(*command)
            if complaint:
                key = f"{command[0]}: {complaint}"
                if say and key not in found:
                    print(f"trial {trial} {' '.join(command)}: {complaint}", flush=True)
                found[key] += 1
        for name in ("paper.html", "paper2.html"):
            (folder / name).unlink(missing_ok=True)
    return found


def main() -> int:
    parser = argparse.ArgumentParser()
    parser.add_argument("--trials", type=int, default=2000)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--each", type=int, default=4, help="commands for each trial, in turn")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        found = sweep(Path(folder), given.first, given.trials, given.each, say=True)
        os.chdir("/")
    runs = found.pop("runs")
    for complaint, times in found.most_common():
        print(f"{times:6} x {complaint}")
    print(f"{given.trials} absurd logs, {runs} runs of commands, {sum(found.values())} taken badly")
    return 1 if found or not runs else 0


if __name__ == "__main__":
    sys.exit(main())
