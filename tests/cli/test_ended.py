"""SIGTERM and a closed terminal stop the pump of a running step test and calibration, like Ctrl-C."""

import os
import pty
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from skidwright.link.session import Session

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="there are no such signals on Windows"),
]

MAIN = "from skidwright.cli import main; main()"
# What makes a pseudo-terminal the program's own: closing it then hangs up.
ON_A_TERMINAL = f"import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); {MAIN}"


@pytest.fixture(scope="module")
def bench_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The port of a virtual skid in standby."""
    from skidwright.sim.runner import VirtualSkid
    from skidwright.sim.scenario import from_table

    table = {
        "title": "bench",
        "duration": "1:00",
        "settings": {"assets": [1], "autostart": 0},
        "asset": [{"number": 1, "name": "bench"}],
    }
    with VirtualSkid(from_table(table), tmp_path_factory.mktemp("skid")) as skid:
        skid.run_until(5)
        skid.go_live()
        yield skid.port


def state(port: str) -> dict[str, Any]:
    with Session.open(port) as session:
        return session.status()


def assert_stopped(port: str) -> None:
    """The pump is off now, long before any limit of time has run out."""
    assert state(port)["state"] == "standby"
    # The duty that a status tells is of the latest tick, which may have been a second ago.
    time.sleep(1.5)
    found = state(port)
    assert (found["state"], found["duty_permille"]) == ("standby", 0), found


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 143), (signal.SIGHUP, 129), (signal.SIGINT, 130)]
)
def test_a_step_test_ends_with_the_pump_off(
    bench_port: str, tmp_path: Path, number: int, status: int
) -> None:
    command = [sys.executable, "-c", MAIN, "tune", bench_port, "--yes", "--out", str(tmp_path / "kept")]
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, cwd=tmp_path) as process:
        assert process.stderr is not None
        for line in process.stderr:
            if "bringing flow" in line:
                break
        time.sleep(2)
        process.send_signal(number)
        # A closed terminal sends more than one.
        process.send_signal(signal.SIGHUP if number == signal.SIGHUP else 0)
        rest = process.stderr.read()
        assert process.wait(60) == status, rest
    assert "stopped: what was finished by then is kept" in rest and "Traceback" not in rest
    assert len((tmp_path / "kept" / "trace.csv").read_text().splitlines()) > 5
    assert_stopped(bench_port)


def test_a_closed_terminal_ends_a_calibration_with_the_pump_off(bench_port: str, tmp_path: Path) -> None:
    ours, its = pty.openpty()
    command = [
        *(sys.executable, "-c", ON_A_TERMINAL, "calibrate", "flow", bench_port, "--seconds", "600"),
        *("--density", "0.86", "--by", "A. Moe", "--reference", "balance 3", "--due", "2027-11-30"),
    ]
    with subprocess.Popen(
        command, stdin=its, stdout=its, stderr=its, start_new_session=True, cwd=tmp_path
    ) as process:
        os.close(its)
        shown = b""
        while b"pump may start?" not in shown:
            shown += os.read(ours, 4096)
        os.write(ours, b"y\n")
        time.sleep(3)
        os.close(ours)
        assert process.wait(60) == 129
    assert_stopped(bench_port)


def test_what_the_starter_wants_ignored_is_ignored(bench_port: str, tmp_path: Path) -> None:
    code = f"import signal; signal.signal(signal.SIGHUP, signal.SIG_IGN); {MAIN}"
    command = [sys.executable, "-c", code, "watch", bench_port, "--times", "20", "--every", "0.2"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=tmp_path) as process:
        assert process.stdout is not None
        process.stdout.readline()
        process.send_signal(signal.SIGHUP)
        assert len(process.stdout.readlines()) == 19
        assert process.wait(60) == 0


def test_an_interrupted_start_of_the_pump_is_taken_back(
    run, bench_port: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ctrl-C while the answer is awaited: the board may have begun already."""
    command = Session.command

    def interrupted(session: Session, text: str) -> None:
        command(session, text)
        if text.startswith("duty"):
            raise KeyboardInterrupt

    monkeypatch.setattr(Session, "command", interrupted)
    assert run("tell", bench_port, "duty", 300, 60).status == 130
    assert_stopped(bench_port)
