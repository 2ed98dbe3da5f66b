"""A clean-up run judged from an archive in which the records that follow its begin are damaged."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from skidboard import cleanup, records

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
import synthetic_log as sl  # noqa: E402
from command_line import assert_one_line, run  # noqa: E402, F401

TARGET = 18 | 16 << 8 | 13 << 16 | 3 << 24  # 18/16/13 by three samples in a row
TEN_MINUTES_MS = 600_000


def event(kind: int, seq: int, **fields: int) -> np.ndarray:
    return sl.event(kind, seq, 1, seq * TEN_MINUTES_MS, asset=1, **fields)


def story() -> np.ndarray:
    """A run from record 2 to 10 that ended on target; another begins with record 11 and is not over."""
    dirty = tuple(16 * each for each in sl.PER_ML)
    return sl.merged(
        sl.event(records.BOOT, 0, 1, 10, text="skidboard 0.1.0"),
        sl.contact(1, 1, 60_000, sl.START_UTC_MS + 60_000),
        event(records.CLEANUP, 2, code=0, a=TARGET, c=8),
        sl.samples(7, first_seq=3, first_uptime_ms=3 * TEN_MINUTES_MS),
        event(records.CLEANUP, 10, code=cleanup.ON_TARGET, a=4800),
        event(records.CLEANUP, 11, code=0, a=TARGET, c=8),
        sl.samples(5, first_seq=12, first_uptime_ms=12 * TEN_MINUTES_MS, per_ml=dirty),
    )


@pytest.fixture
def log(tmp_path: Path) -> Path:
    path = tmp_path / "archive" / sl.DEVICE.hex() / f"{sl.LOG:08x}.skidlog"
    path.parent.mkdir(parents=True)
    (tmp_path / "archive" / "archive.json").write_text('{"format": 1}\n')
    path.write_bytes(sl.log_bytes(story()))
    return path


def flip(path: Path, *seqs: int) -> None:
    raw = bytearray(path.read_bytes())
    for seq in seqs:
        raw[records.HEADER_BYTES + seq * records.RECORD_BYTES + 40] ^= 0x10
    path.write_bytes(raw)


def test_damage_where_a_run_may_have_begun_is_said(run, log: Path, tmp_path: Path) -> None:  # noqa: F811
    asked = ("cleanup", "--asset", 1, "--archive", tmp_path / "archive")
    assert run(*asked, "--json").json["how"] == "running"
    flip(log, 11)
    shown = run(*asked)
    assert "on target" in shown.out  # the run before is the newest that can be read
    assert shown.status == 1
    assert "DAMAGED: record 11 is damaged or missing, written between 2026-01-01T01:" in shown.out
    assert "which heals the archive" in shown.out
    answer = run(*asked, "--json")
    assert answer.status == 1 and len(answer.json["unread"]) == 1


def test_damage_before_the_run_is_no_matter(run, log: Path, tmp_path: Path) -> None:  # noqa: F811
    rows = story()
    log.write_bytes(sl.log_bytes(rows[rows["seq"] < 11]))
    flip(log, 0)
    shown = run("cleanup", "--asset", 1, "--archive", tmp_path / "archive")
    assert shown.status == 0 and "DAMAGED" not in shown.out
    flip(log, 10)
    shown = run("cleanup", "--asset", 1, "--archive", tmp_path / "archive")
    assert shown.status == 1 and "DAMAGED: 1 damaged record at the log's end, after record 9" in shown.out


def test_a_run_that_cannot_be_read_at_all_is_told_from_none(run, log: Path, tmp_path: Path) -> None:  # noqa: F811
    rows = story()
    log.write_bytes(sl.log_bytes(rows[rows["seq"] < 11]))
    flip(log, 2)
    answer = run("cleanup", "--asset", 1, "--archive", tmp_path / "archive")
    assert_one_line(answer, "no clean-up run of asset 1, but record 2 is damaged or missing", "pull again")
