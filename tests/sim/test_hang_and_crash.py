"""A firmware that hangs, crashes, trips or finds bad settings: the pump off, a prompt, a record of why."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from sim.skids import needs_micropython, scenario
from sim.test_virtual_skid import SHORT, decoded, mpremote
from skidboard import faults, records
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.link.session import Session
from skidwright.sim import board_process, truth
from skidwright.sim.runner import VirtualSkid

# The true main.py, with a control step that goes wrong once: in the first boot, while the pump runs.
WRONG_ONCE = """
import gc
gc.threshold(8192)  # as main.py does before it imports the app
from skidboard import app
step = app.App.tick
def wrong(self):
    step(self)
    if self.timebase.boot == 1 and self.timebase.uptime_ms() > 20000 and self.sequence.set_ul_s:
        {what}
app.App.tick = wrong
"""
HANG = "\n        while True: self.board.idle(100)"
CRASH = "raise ValueError('a crash made for a test')"


@pytest.fixture
def firmware(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., None]:
    """Puts other contents in place of files on the board."""

    def put(**contents: str) -> None:
        files = dict(board_process.firmware_files())
        for name, text in contents.items():
            path = tmp_path / name
            path.write_text(text)
            files[{"main": "main.py", "settings": "settings.json"}.get(name, f"skidboard/{name}.py")] = path
        monkeypatch.setattr(board_process, "firmware_files", lambda: files)

    return put


def main_that(what: str) -> str:
    return WRONG_ONCE.format(what=what) + board_process.firmware_files()["main.py"].read_text()


def pulled(skid: VirtualSkid, folder: Path):
    with skid.contact() as port, Session.open(port) as session:
        pull(session, Archive.create(folder), clock=skid.utc_ms)
    return decoded(folder).events


def kinds_codes(events, kind: int) -> list[int]:
    return events[events["kind"] == kind]["code"].tolist()


@needs_micropython
def test_a_hang_ends_in_a_reset_with_its_cause_on_record(tmp_path: Path, firmware) -> None:
    firmware(main=main_that(HANG))
    given = scenario(**{**SHORT, "contact": []})
    with VirtualSkid(given, tmp_path / "skid") as skid:
        plant = skid._supervisor.plant
        # The pump may go on for as long as the watchdog waits, and is off from the reset on.
        duties = []
        for t_s in range(1, 60):
            skid.run_until(t_s)
            duties.append((t_s, plant.boot_us, plant.duty_permille))
        _, reset_us, _ = duties[-1]
        assert 20e6 < reset_us < 40e6
        assert any(duty > 0 for t_s, boot_us, duty in duties if boot_us == 0 and t_s > 20)
        skid.run_until(240)
        events = pulled(skid, tmp_path / "archive")
    _, starts, _ = truth.load(tmp_path / "skid" / "truth.npz")
    assert starts["cause"].tolist() == [0, 2]
    off_s = starts["start_us"][1] / 1e6 - 20.1
    print(f"figure: hang: pump off {off_s:.1f} s after the loop's last good turn")
    # Fed until 20 s; the setting watchdog_ms is 3 s by default.
    assert starts["start_us"][1] == pytest.approx(23.1e6, abs=0.2e6)
    assert kinds_codes(events, records.BOOT) == [0, 2]
    assert faults.WATCHDOG in kinds_codes(events, records.FAULT_RAISED)
    # And it samples again, after which the fault is over.
    assert faults.WATCHDOG in kinds_codes(events, records.FAULT_CLEARED)


@needs_micropython
def test_a_crash_stops_the_pump_and_leaves_the_prompt(tmp_path: Path, firmware) -> None:
    firmware(main=main_that(CRASH))
    given = scenario(**{**SHORT, "contact": []})
    with VirtualSkid(given, tmp_path / "skid") as skid:
        skid.run_until(60)
        assert skid.in_repl and skid._supervisor.plant.duty_permille == 0
        with skid.contact() as port:
            assert "main.py" in mpremote(port, "fs", "ls")
            mpremote(port, "reset")
            wait_for_app(skid)
        events = pulled(skid, tmp_path / "archive")
    leave = events[events["kind"] == records.LEAVE]
    assert leave["code"].tolist() == [2] and b"ValueError: a crash made for a test" in leave["text"][0]
    assert kinds_codes(events, records.BOOT) == [0, 3]


def wait_for_app(skid: VirtualSkid) -> None:
    for _ in range(400):
        if not skid.in_repl:
            return
        time.sleep(0.05)
    raise AssertionError("the app did not come back")


@needs_micropython
@pytest.mark.parametrize(
    "content",
    [
        "",
        "{",
        "[" * 3000,
        '{"rest_s": "soon"}',
        '{"no_such": 1}',
        "\x00\x01\x02",
        '{"rest_s": ' + "9" * 400 + "}",
    ],
    ids=["empty", "cut", "deep", "text", "unknown", "binary", "huge"],
)
def test_bad_settings_are_the_defaults_and_said(content: str, tmp_path: Path, firmware) -> None:
    firmware(settings=content)
    # Without settings of its own, which would be written over the file.
    given = dataclasses.replace(scenario(duration="0:05"), settings={})
    with VirtualSkid(given, tmp_path / "skid") as skid:
        skid.run_until(5)
        with skid.contact() as port:
            with Session.open(port) as session:
                assert session.settings()["rest_s"] == 300
                status = session.status()
                assert faults.NAMES[faults.SETTINGS_BAD] in status["faults"]
            assert "settings.json" in mpremote(port, "fs", "ls")
            assert skid.in_repl and skid._supervisor.plant.duty_permille == 0


@needs_micropython
@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("flow", "raise ValueError('broken file')"),
        ("app", "def broken(:"),
        ("records", ""),
        ("main", "1 / 0"),
    ],
)
def test_a_broken_file_leaves_the_prompt(name: str, source: str, tmp_path: Path, firmware) -> None:
    firmware(**{name: source})
    with VirtualSkid(scenario(duration="0:05"), tmp_path / "skid") as skid:
        skid.run_until(5)
        assert skid.in_repl and skid._supervisor.plant.duty_permille == 0
        with skid.contact() as port:
            assert "skidboard" in mpremote(port, "fs", "ls")


@needs_micropython
def test_a_tripped_board_makes_way(tmp_path: Path) -> None:
    given = scenario(**{**SHORT, "contact": [], "fault": [{"kind": "stop_input", "start": 20}]})
    with VirtualSkid(given, tmp_path / "skid") as skid:
        skid.run_until(40)
        with skid.contact() as port:
            with Session.open(port) as session:
                assert session.status()["state"] == "tripped"
            assert "main.py" in mpremote(port, "fs", "ls")
        assert skid._supervisor.plant.duty_permille == 0
