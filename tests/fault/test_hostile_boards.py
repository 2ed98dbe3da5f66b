"""Boards that answer anything: every command ends in words of ours. The long run is `make absurd`."""

import json
import random
import sys
from pathlib import Path

import hostile_boards
import pytest
from hostile_boards import CLEANUP_KEYS, Bench, HostilePort
from skidboard import link
from skidboard.app import App
from skidwright.errors import BadReply
from skidwright.link import replies

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "firmware"))
from test_app import board, run  # noqa: E402


@pytest.fixture
def bench(tmp_path, monkeypatch):
    for name in ("XDG_DATA_HOME", "XDG_CONFIG_HOME", "NO_COLOR", "SKIDWRIGHT_ARCHIVE"):
        monkeypatch.setenv(name, "x")  # so that they are put back afterwards
    monkeypatch.chdir(tmp_path)
    return Bench(tmp_path / "shop")


def test_no_board_brings_a_command_down(bench):
    found = hostile_boards.sweep(bench.shop.folder / "random", 5000, 28)
    assert found.pop("runs") == 56 == 2 * len(hostile_boards.COMMANDS)
    assert not found


def test_most_commands_come_to_their_end_with_a_board_that_behaves(bench):
    ends = []
    for number, command in enumerate(hostile_boards.COMMANDS):
        port = HostilePort(random.Random(number), bench.clock, bench.log, rate=0.0)
        assert not bench.complaint(port, command), command
        ends.append(bench.status)
    assert sum(status in (0, 1) for status in ends) >= 20, ends


def test_without_the_gate_commands_come_down(bench, monkeypatch):
    for name in ("told_status", "told_settings"):
        monkeypatch.setattr(f"skidwright.link.session.{name}", lambda table, where: dict(table))
    complaints = [
        bench.complaint(HostilePort(random.Random(seed), bench.clock, bench.log, 1.0, link.STATUS), command)
        for seed in range(60)
        for command in (("status", "PORT"),)
    ]
    assert sum("unexpected" in complaint for complaint in complaints) > 3


def test_a_field_of_another_type_is_named():
    wrong = {"flow_ul_s": "fast", "duty_permille": True, "counts": [1], "edges": [None] * 7, "faults": 5,
             "in_band": 1, "cleanup": {"asset": []}, "uptime_ms": 1 << 60}  # fmt: skip
    for name, value in wrong.items():
        with pytest.raises(BadReply, match=f"in which {name} is not"):
            replies.told_status({"state": "rest", name: value}, "port")
    for name, value in (("rest_s", "60"), ("assets", [0]), ("meter_table", 5), ("duty_min_permille", 9999)):
        with pytest.raises(BadReply, match=name):
            replies.told_settings({name: value}, "port")
    told = replies.told_status({"state": "rest", "of_a_newer_board": [1]}, "port")
    assert told["state"] == "rest" and told.get("flow_ul_s") is None
    with pytest.raises(BadReply, match="does not say flow_ul_s"):
        told["flow_ul_s"]


@pytest.mark.parametrize("text", ["Infinity", "-Infinity", "NaN", "1e999", "-1e999"])
def test_no_number_without_end_is_taken(text):
    with pytest.raises(BadReply):
        replies.parse_table(b'{"flow": %s}' % text.encode(), "port")


def test_the_schema_is_that_of_the_firmware(bench):
    skid = App(board("schema"))
    run(skid, 2000)
    told = json.loads(json.dumps(skid.status()))
    assert replies.told_status(told, "port") == told and replies.told_settings(skid.settings, "port")
    assert set(replies.STATUS) == set(told) and set(replies.CLEANUP) == set(told["cleanup"])
    mine = json.loads(HostilePort(random.Random(1), bench.clock, bench.log, 0.0).body(link.STATUS, b""))
    assert set(mine) == set(told) and set(CLEANUP_KEYS) == set(told["cleanup"])
