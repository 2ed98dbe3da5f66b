"""Deploys the firmware with the real mpremote to a blank board behind a pseudo-terminal; starts it, pulls."""

import re

import pytest
from board_at_pty import micropython
from skidboard import VERSION
from skidboard import settings as settings_table
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.errors import ConfigError, InstallError, PortNotFound
from skidwright.link import install as installing
from skidwright.link.install import firmware_files, install
from skidwright.link.session import Session
from skidwright.log.dataset import decode
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import load, packaged

pytestmark = pytest.mark.skipif(not micropython(), reason="no MicroPython for this platform")


@pytest.fixture
def blank_board(tmp_path):
    """A board with an empty flash at its prompt, in real time."""
    with VirtualSkid(load(packaged("quick")), tmp_path / "skid", blank=True, realtime=True) as skid:
        yield skid


def test_blank_board_to_checked_log(blank_board, tmp_path):
    port, seen = blank_board.port, []
    summary = install(port, settings={"rest_s": 61}, progress=lambda *args: seen.append(args))
    assert (summary.platform, summary.left_app, summary.unchanged, summary.removed) == (
        "linux",
        False,
        [],
        [],
    )
    assert summary.sent == ["settings.json", *firmware_files("linux")] and summary.sent[-1] == "main.py"
    assert seen[0][0] == 0 and seen[-1][0] == seen[-1][1] == len(summary.sent)

    with Session.open(port) as session:
        assert session.hello().firmware == VERSION
        assert session.settings() == {**settings_table.defaults(), "rest_s": 61}
        pulled = pull(session, Archive.create(tmp_path / "archive"), clock=blank_board.utc_ms)
    archive = Archive.open(tmp_path / "archive")
    log = decode(archive.log_path(pulled.device, pulled.log).read_bytes())
    assert log.report.findings == [] and len(log.events) == pulled.records >= 2

    # Once more, with one setting changed and a file of an older firmware on the board.
    (tmp_path / "old.py").write_text("print('old')")
    installing._leave_app(port)
    installing._look_patiently(port)
    installing._mpremote(port, "fs", "cp", str(tmp_path / "old.py"), ":skidboard/old.py")
    installing._mpremote(port, "fs", "cp", str(tmp_path / "old.py"), ":skidboard/link.py")
    summary = install(port, settings={"rest_s": 62})
    assert summary.sent == ["settings.json", "skidboard/link.py", "main.py"]
    assert summary.removed == ["skidboard/old.py"]
    with Session.open(port) as session:
        assert session.hello().boot == 2
        assert session.settings()["rest_s"] == 62

    # And on a running board with nothing to change: it is only restarted.
    summary = install(port)
    assert summary.left_app and summary.sent == [] and summary.removed == []
    with Session.open(port) as session:
        assert session.hello().boot == 3
        pull(session, archive, clock=blank_board.utc_ms)
    log = decode(archive.log_path(pulled.device, pulled.log).read_bytes())
    texts = [bytes(row["text"]).rstrip(b"\0").decode() for row in log.events if row["kind"] == 2]
    assert texts == [f"skidboard {VERSION}"] * 3


def test_settings_the_board_would_refuse_are_refused_before_anything_is_touched():
    with pytest.raises(ConfigError, match="rest: there is no such setting"):
        install("/dev/there/is/none", settings={"rest": 1})


def test_no_such_port():
    with pytest.raises(PortNotFound):
        install("/dev/there/is/none")


def test_files_for_each_board():
    pico, virtual = set(firmware_files("rp2")), set(firmware_files("linux"))
    assert {"skidboard/board/pico.py", "skidboard/board/pins.py"} <= pico - virtual
    assert virtual - pico == {"skidboard/board/virtual.py"}
    assert all(re.fullmatch(r"(skidboard/([a-z_]+/)?)?[a-z_]+\.py", name) for name in pico | virtual)
    with pytest.raises(InstallError, match="esp32"):
        firmware_files("esp32")
