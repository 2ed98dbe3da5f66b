"""A key made at installation: on the board, in the chain of its log, and nowhere else than where it is kept.

With the real mpremote and the firmware under MicroPython behind a pseudo-terminal.
"""

import json

import pytest
from board_at_pty import micropython
from command_line import assert_described
from skidboard import records
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.cli import app
from skidwright.errors import InstallError
from skidwright.link.install import install
from skidwright.link.session import Session
from skidwright.log import seal as log_keys
from skidwright.log.dataset import verify_chain
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import load, packaged

pytestmark = pytest.mark.skipif(not micropython(), reason="no MicroPython for this platform")


def test_new_key_to_checked_log(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.chdir(tmp_path)
    with VirtualSkid(load(packaged("quick")), tmp_path / "skid", blank=True, realtime=True) as skid:
        assert app.run(["install", skid.port, "--new-key", "--json"]) == 0
        said = capsys.readouterr().out
        device = assert_described(said)["device"]
        (key,) = log_keys.of(device)
        assert [path.name for path in log_keys.folder().iterdir()] == [f"{device}.key"]

        with Session.open(skid.port) as session:
            hello, status = session.hello(), session.status()
            assert status["log_keyed"] is True
            for i in range(60):
                session.command(f"mark remark {i}")
            told = json.dumps([vars(hello), status, session.settings()], default=str)
            pulled = pull(session, Archive.create(tmp_path / "archive"), clock=skid.utc_ms, key=key)
        assert pulled.warnings == [] and pulled.device == device
        assert pulled.chain == "HMAC-SHA-256 with the board's key, and what came was tried with it"
        path = Archive.open(tmp_path / "archive").log_path(device, pulled.log)
        raw = path.read_bytes()
        assert raw[5] == records.CHAIN_HMAC

        # The key is neither in what the board tells, nor in its log, nor in what the command prints.
        assert key not in raw and key.hex() not in told + said and key.hex().encode() not in raw
        found = verify_chain(path, key)
        assert found.ok and found.keyed == found.links >= 2

        assert app.run(["check", "--archive", str(tmp_path / "archive")]) == 0
        assert f"{found.keyed} links tried with the key" in " ".join(capsys.readouterr().out.split())
        log_keys.write(tmp_path / "wrong.key", [bytes(32)])
        command = ["check", "--archive", str(tmp_path / "archive"), "--json"]
        assert app.run([*command, "--key", "wrong.key"]) == 1
        assert "wrong key" in json.loads(capsys.readouterr().out)["logs"][0]["protection"]
        (log_keys.folder() / f"{device}.key").rename(tmp_path / "away.key")
        assert app.run(command) == 0
        log = json.loads(capsys.readouterr().out)["logs"][0]
        assert log["chain_links"] == 0 and log["chain_links_without_key"] == found.keyed
        assert app.run([*command, "--key", "away.key"]) == 0
        assert json.loads(capsys.readouterr().out)["logs"][0]["chain_keyed_links"] == found.keyed

        # Another key would make the log unverifiable; none given leaves the one there is.
        with pytest.raises(InstallError, match="the board has another key"):
            install(skid.port, key=bytes(32))
        summary = install(skid.port)
        assert summary.keyed and "log.key" not in summary.removed
        with Session.open(skid.port) as session:
            assert session.status()["log_keyed"] is True
