"""The virtual skid as a whole: firmware runs and is pulled; power cuts, watchdog, mpremote, live time."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import serial
from sim.skids import needs_micropython, scenario
from skidboard import records
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.errors import SimError
from skidwright.link.session import Session
from skidwright.log import dataset
from skidwright.log.timeline import TimelineBuilder
from skidwright.sim import truth
from skidwright.sim.play import play
from skidwright.sim.runner import VirtualSkid, identity
from skidwright.sim.scenario import load

SHORT = {
    "duration": "0:05",
    "settings": {"rest_s": 10, "sample_volume_ul": 10000, "purge_volume_ul": 30000, "settle_ms": 3000},
    "contact": [{"at": "0:02", "mark": "hello"}, {"at": "0:05"}],
}
ECHO = """
from skidboard.board import Board
board = Board()
buf = bytearray(64)
while True:
    board.refresh()
    n = board.serial_read(buf)
    if n:
        if b"\\r\\x03" in buf[:n]:
            board.leave()
        reply = b"%d " % board.ticks_ms() + bytes(buf[:n])
        board.serial_write(reply, len(reply))
    board.idle(100)
"""
HANG = """
from skidboard.board import Board
board = Board()
board.start_watchdog(3000)
started = board.ticks_ms()
while True:
    if board.ticks_ms() - started < 20000:
        board.feed()
    board.idle(100)
"""


def log_of(archive: Path) -> Path:
    (path,) = archive.rglob("*.skidlog")
    return path


def decoded(archive: Path) -> dataset.Dataset:
    path = log_of(archive)
    return dataset.join(list(dataset.read_log(path, dataset.verify_chain(path))))


def played(folder: Path, seed: int = 1, python_board: str = "", **tables: object) -> Path:
    """Play SHORT (with changes) and give the archive."""
    given = scenario(**{**SHORT, **tables})
    with VirtualSkid(given, folder / "skid", seed, python_board=python_board) as skid:
        outcome = play(skid, folder / "archive")
    assert outcome.refused == []
    return folder / "archive"


@needs_micropython
def test_same_seed_same_bytes(tmp_path: Path) -> None:
    first = log_of(played(tmp_path / "a"))
    second = log_of(played(tmp_path / "a much longer folder name than the first"))
    other = log_of(played(tmp_path / "c", seed=2))
    assert first.read_bytes() == second.read_bytes()
    assert first.read_bytes() != other.read_bytes()
    assert first.parent.name == identity(scenario(**SHORT), 1)[0].hex()
    assert (other.parent.name, other.stem) != (first.parent.name, first.stem)


@needs_micropython
def test_another_scenario_is_another_skid_with_a_log_of_its_own(tmp_path: Path) -> None:
    """One fluid a little dirtier, the seed the same; a seed in the file is one given beside it."""
    first = log_of(played(tmp_path / "a"))
    dirtier = log_of(played(tmp_path / "b", asset=[{"number": 1, "name": "a", "particles_4um_per_ml": 1801}]))
    assert dirtier.parent.name != first.parent.name and dirtier.stem != first.stem
    told = [scenario(**SHORT), scenario(**SHORT, seed=5), scenario(**SHORT, title="another")]
    made = [identity(told[0], 5), identity(told[1], 5), identity(told[0], 4), identity(told[2], 5)]
    assert made[0] == made[1] and len(set(made)) == 3


@pytest.mark.parametrize("board", [pytest.param("micropython", marks=needs_micropython), "cpython"])
def test_samples_are_what_the_fluid_is(board: str, tmp_path: Path) -> None:
    data = decoded(played(tmp_path, python_board=board))
    assert len(data.samples) >= 3
    assert data.report.missing_records == 0
    per_ml = data.samples["counts"] / (data.samples["volume_ul"][:, None] / 1000)
    # 1800 per mL and slope 2.8 by default; 10 mL give some 18000, 5800, 540, 170 particles: five sigma.
    for i, d in enumerate((4, 6, 14, 21)):
        true = 1800 * (d / 4) ** -2.8
        assert per_ml[:, i].mean() == pytest.approx(true, rel=0.01 + 5 / np.sqrt(true * 10 * len(per_ml)))
    kinds = data.events["kind"].tolist()
    assert kinds.count(records.CONTACT) == 2
    assert b"hello" in data.events["text"].tolist()
    assert data.samples["water_mean_ua"].astype(float) == pytest.approx(7200, abs=20)


@needs_micropython
def test_contacts_bear_virtual_time(tmp_path: Path) -> None:
    data = decoded(played(tmp_path))
    rows = data.events[data.events["kind"] == records.CONTACT]
    start_ms = int(scenario(**SHORT).start_utc.timestamp() * 1000)
    assert rows["utc_ms"].tolist() == pytest.approx([start_ms + 120_000, start_ms + 300_000], abs=1500)
    # The host's clock stands while the two talk; the board's goes on by two records at most.
    assert np.abs((rows["utc_ms"] - start_ms) - rows["uptime_ms"].astype(np.int64)).max() <= 120


@needs_micropython
def test_a_clock_chip_dates_a_start_without_a_host(tmp_path: Path) -> None:
    off = [{"kind": "power_off", "start": 130, "end": 190}]
    data = decoded(played(tmp_path, fault=off, board={"clock_chip": True}))
    builder = TimelineBuilder()
    # without the contact at the end, which the second start cannot know of
    builder.add(data.samples, data.events[data.events["seq"] < data.events["seq"][-1]])
    line = builder.build()
    rows = data.events[data.events["kind"] == records.BOOT]
    assert rows["boot"].tolist() == [1, 2] and len(line.contacts) == 2 and line.chip_readings == 1
    when, error = line.utc(rows["boot"], rows["uptime_ms"])
    _, starts, start_ms = truth.load(tmp_path / "skid" / "truth.npz")
    true_ms = start_ms + starts["start_us"] // 1000 + rows["uptime_ms"].astype(np.int64)
    # Uptime begins when the firmware is through its start, some 50 ms after power is there.
    assert np.all(np.abs(when - true_ms) <= error + 100) and error[1] < 1500


@needs_micropython
@pytest.mark.parametrize("operation", [1, 2, 3])
def test_power_cut_in_mid_write_loses_nothing_stored(operation: int, tmp_path: Path) -> None:
    cut = {"kind": "power_cut", "start": 125, "flash_operation": operation, "amount": 7}
    archive = played(tmp_path, fault=[cut])
    data = decoded(archive)
    assert data.report.missing_records == 0
    assert data.report.totals.total() == 0, data.report.totals
    boots = data.events[data.events["kind"] == records.BOOT]
    assert boots["boot"].tolist() == [1, 2]
    assert boots["code"].tolist() == [0, 0]
    _, starts, _ = truth.load(tmp_path / "skid" / "truth.npz")
    assert len(starts) == 2
    assert starts["end_us"][0] > 125e6
    assert starts["start_us"][1] - starts["end_us"][0] == 7_000_000
    # What had been pulled before the cut is still there, and sampling went on after it.
    assert data.samples["boot"].tolist() == sorted(data.samples["boot"].tolist())
    assert set(data.samples["boot"].tolist()) == {1, 2}


@pytest.mark.parametrize("board", [pytest.param("micropython", marks=needs_micropython), "cpython"])
def test_power_off_for_a_while(board: str, tmp_path: Path) -> None:
    archive = played(tmp_path, python_board=board, fault=[{"kind": "power_off", "start": 130, "end": 190}])
    _, starts, _ = truth.load(tmp_path / "skid" / "truth.npz")
    assert (starts["start_us"] // 1_000_000).tolist() == [0, 190]
    assert set(decoded(archive).events["boot"].tolist()) == {1, 2}


@pytest.mark.parametrize("board", [pytest.param("micropython", marks=needs_micropython), "cpython"])
def test_watchdog_bites_in_virtual_time(
    board: str, tmp_path: Path, run_instead: Callable[[str], None]
) -> None:
    run_instead(HANG)
    with VirtualSkid(scenario(), tmp_path, python_board=board) as skid:
        skid.run_until(30)
    _, starts, _ = truth.load(tmp_path / "truth.npz")
    assert starts["cause"].tolist() == [0, 2]
    # Fed until 20 s, then three seconds of patience, to the next control step.
    assert starts["start_us"][1] == pytest.approx(23.0e6, abs=0.2e6)


@pytest.mark.parametrize("board", [pytest.param("micropython", marks=needs_micropython), "cpython"])
def test_time_stands_still_while_the_cable_talks(
    board: str, tmp_path: Path, run_instead: Callable[[str], None]
) -> None:
    run_instead(ECHO)
    with VirtualSkid(scenario(), tmp_path, python_board=board) as skid:
        skid.run_until(50)
        before = skid.utc_ms()
        with skid.contact() as port, serial.serial_for_url(port, timeout=5) as cable:
            for _ in range(20):
                cable.write(b"hi\n")
                assert cable.readline() == b"50000 hi\n"
        assert skid.utc_ms() == before
        skid.run_until(60)
        assert skid.now_s == 60
        skid.go_live()
        with serial.serial_for_url(skid.port, timeout=5) as cable:
            cable.write(b"a\n")
            first = int(cable.readline().split()[0])
            time.sleep(0.5)
            cable.write(b"b\n")
            second = int(cable.readline().split()[0])
        assert 300 <= second - first <= 5000
        skid.hold()
        held = skid.now_s
        time.sleep(0.1)
        assert skid.now_s == held


@needs_micropython
def test_without_cable_nothing_gets_through(tmp_path: Path, run_instead: Callable[[str], None]) -> None:
    run_instead(ECHO)
    with VirtualSkid(scenario(), tmp_path) as skid, serial.Serial(skid.port, timeout=0.5) as cable:
        skid.run_until(5)
        cable.write(b"lost\n")
        skid.run_until(10)
        assert cable.readline() == b""
        skid.plug()
        cable.write(b"hi\n")
        assert cable.readline() == b"10000 hi\n"


def mpremote(port: str, *command: str) -> str:
    """Run the real mpremote against the port; its output."""
    done = subprocess.run(
        [sys.executable, "-m", "mpremote", "connect", port, "resume", *command],
        capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@needs_micropython
def test_mpremote_reaches_the_prompt_and_resets_the_board(tmp_path: Path) -> None:
    given = scenario(**{**SHORT, "contact": []})
    with VirtualSkid(given, tmp_path / "skid") as skid:
        skid.run_until(60)
        with skid.contact() as port:
            assert "main.py" in mpremote(port, "fs", "ls")
            assert skid.in_repl
            mpremote(port, "exec", "f = open('/mine.txt', 'w'); f.write('kept'); f.close()")
            mpremote(port, "reset")
            for _ in range(100):
                if not skid.in_repl:
                    break
                time.sleep(0.05)
            with Session.open(port) as session:
                assert session.hello().boot == 2
                pull(session, Archive.create(tmp_path / "archive"), clock=skid.utc_ms)
            assert "kept" in mpremote(port, "fs", "cat", "/mine.txt")
    events = decoded(tmp_path / "archive").events
    assert records.LEAVE in events["kind"].tolist()
    boots = events[events["kind"] == records.BOOT]
    # A reset by command reports cause 3, as machine.reset() does.
    assert boots["code"].tolist() == [0, 3]


@needs_micropython
def test_blank_board_has_a_prompt_and_no_files(tmp_path: Path) -> None:
    with VirtualSkid(scenario(), tmp_path, blank=True) as skid, skid.contact() as port:
        assert mpremote(port, "fs", "ls").split() == ["ls", ":"]
        # The board's storage: 352 blocks of 4096 bytes.
        assert mpremote(port, "exec", "import os; print(os.statvfs('/')[0:3])").strip() == "(4096, 4096, 352)"


@needs_micropython
def test_heap_is_no_larger_than_the_board_s(tmp_path: Path) -> None:
    with VirtualSkid(scenario(), tmp_path, blank=True) as skid, skid.contact() as port:
        total = int(mpremote(port, "exec", "import gc; print(gc.mem_free() + gc.mem_alloc())"))
    assert total <= 256 * 1024


@needs_micropython
def test_a_board_that_ends_at_once_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("skidwright.sim.board_process.micropython", lambda: "/bin/true")
    skid = VirtualSkid(scenario(), tmp_path)
    with pytest.raises(SimError, match="ends at once") as caught:
        skid.start()
    skid.stop()
    assert "\n" not in str(caught.value)


def test_a_board_that_hangs_is_said_in_one_line(
    tmp_path: Path, run_instead: Callable[[str], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    run_instead("from skidboard.board import Board\nboard = Board()\nwhile True:\n    pass\n")
    monkeypatch.setattr("skidwright.sim.runner._SILENCE_S", 2.0)
    skid = VirtualSkid(scenario(), tmp_path)
    with pytest.raises(SimError, match="has hung at 0.0 s") as caught:
        skid.start()
    skid.stop()
    assert "\n" not in str(caught.value)


def test_unknown_kind_of_board_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SimError, match="there are micropython and cpython"):
        VirtualSkid(scenario(), tmp_path, python_board="pypy")


def test_nothing_is_left_running(tmp_path: Path) -> None:
    before = len(list(Path("/proc/self/fd").iterdir())) if Path("/proc/self/fd").exists() else 0
    with VirtualSkid(scenario(), tmp_path) as skid:
        skid.run_until(1)
        pid = skid._board._process.pid  # type: ignore[union-attr]
    with pytest.raises(ProcessLookupError):
        os.kill(pid, 0)
    if before:
        assert len(list(Path("/proc/self/fd").iterdir())) <= before


@needs_micropython
def test_ticks_that_wrap_change_nothing(tmp_path: Path) -> None:
    plain = decoded(played(tmp_path / "plain"))
    # Milliseconds wrap in the middle of the run; microseconds do every 18 minutes anyway.
    wrapped = decoded(played(tmp_path / "wrapped", board={"ticks_start_ms": 2**30 - 150_000}))
    assert wrapped.samples["uptime_ms"].max() > 150_000
    for name in ("uptime_ms", "count_ms", "volume_ul", "flow_min_ul_s", "flow_max_ul_s", "counts"):
        assert (plain.samples[name] == wrapped.samples[name]).all(), name


@needs_micropython
def test_packaged_quick_scenario(tmp_path: Path) -> None:
    given = load("quick")
    with VirtualSkid(given, tmp_path / "skid") as skid:
        outcome = play(skid, tmp_path / "archive")
    data = decoded(tmp_path / "archive")
    others = data.events["kind"].tolist()
    assert outcome.pulls[-1].records == len(data.samples) + len(others)
    assert sorted({*others}) == [records.BOOT, records.CONTACT, records.SETTINGS]
    assert others.count(records.BOOT) == others.count(records.CONTACT) == 1
