"""A clean-up that goes on is not ended without a word, and what is said afterwards is true."""

import json
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from skidwright.link.session import Session

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "cleanup"))
from test_command import TABLE

pytestmark = pytest.mark.slow
WHO = ("--by", "A. Moe", "--reference", "calibrator 7", "--date", "2026-11-25", "--due", "2027-11-25")
POINTS = ("--point", 4, 3.9, "--point", 20, 19.9)


@pytest.fixture
def cart_port(tmp_path: Path) -> Iterator[str]:
    """The port of a virtual skid with a clean-up of asset 1 going on."""
    from skidwright.sim import scenario
    from skidwright.sim.runner import VirtualSkid

    with VirtualSkid(scenario.from_table({**TABLE, "contact": []}), tmp_path / "skid", 3) as skid:
        skid.go_live()
        with Session.open(skid.port) as session:
            session.command("cleanup start 1")
        yield skid.port


def running(port: str) -> bool:
    with Session.open(port) as session:
        return bool(session.status()["cleanup"]["running"])


def write_toml(found: dict[str, object]) -> None:
    lines = "\n".join(f"{name} = {json.dumps(value)}" for name, value in found.items())
    Path("skid.toml").write_text(f"[board]\n{lines}\n", "utf-8")


def test_settings_say_what_they_end_and_how_the_skid_stands(run, one_line, cart_port: str) -> None:
    found = run("settings", cart_port, "--json").json["settings"]
    write_toml(found)
    unchanged = run("settings", cart_port, "--send")
    assert unchanged.status == 0 and "nothing changed" in unchanged.out and unchanged.err == ""
    assert running(cart_port)
    write_toml(found | {"rest_s": 17, "loops_due_day": 11000})
    one_line(run("settings", cart_port, "--send"), "This ends the clean-up of asset 1.", "give --yes")
    assert running(cart_port)
    sent = run("settings", cart_port, "--send", "--yes")
    assert sent.status == 0 and "This ends the clean-up of asset 1" in sent.err
    old = found["rest_s"]
    assert f"2 settings changed: loops_due_day 0 -> 11000, rest_s {old} -> 17" in sent.out
    assert "clean-up of asset 1: stopped: settings were changed; its output is off" in sent.out
    # Autostart is off and the skid was told to do nothing else.
    assert "in standby" in sent.out and "may start by itself" not in sent.out
    assert not running(cart_port)
    write_toml(found | {"rest_s": 18})
    sent = run("settings", cart_port, "--send")
    assert sent.status == 0 and "clean-up" not in sent.out + sent.err
    assert "loops_due_day 11000 -> 0" in sent.out and "rest_s 17 -> 18" in sent.out


def test_a_calibration_says_what_it_ends(run, cart_port: str) -> None:
    made = run("calibrate", "loop", cart_port, *POINTS, *WHO, "--yes")
    assert made.status == 0, made
    assert "This ends the clean-up of asset 1" in made.err and "its output is off" in made.err
    assert not running(cart_port)


def test_a_calibration_refused_by_a_clean_up_leaves_it_running(run, cart_port: str, monkeypatch) -> None:
    from skidwright.cli import calibrate_work

    monkeypatch.setattr(calibrate_work.options, "ask", lambda *_: None)
    monkeypatch.setattr(calibrate_work.click, "confirm", lambda *_, **__: True)
    refused = run("calibrate", "flow", cart_port, "--density", 0.86, *WHO)
    assert refused.status == 2 and "a clean-up is running" in refused.err
    assert running(cart_port)


def test_install_asks_before_it_ends_one(run, cart_port: str) -> None:
    refused = run("install", cart_port)
    assert refused.status == 2 and "This ends the clean-up of asset 1" in refused.err
    assert running(cart_port)


def test_a_second_correction_is_shown_against_the_first(run, cart_port: str) -> None:
    first = run("calibrate", "loop", cart_port, *POINTS, *WHO, "--yes")
    assert "water_offset_ua: 0 now -> " in first.err and "in force already" not in first.err
    again = run("calibrate", "loop", cart_port, *POINTS, *WHO, "--yes", "--out", "again.json")
    assert "a correction is in force already (offset 100 uA" in again.err
    assert "water_offset_ua: 100 now -> " in again.err


def test_settings_are_shown_although_skid_toml_is_wrong(run, one_line, cart_port: str) -> None:
    Path("skid.toml").write_text("[board]\nrest = 3\n", "utf-8")
    shown = run("settings", cart_port, "--changed")
    assert shown.status == 1 and "cleanup_output" in shown.out
    assert "not compared with skid.toml" in shown.err and "rest" in shown.err
    answer = run("settings", cart_port, "--json")
    assert answer.json["settings"]["cleanup_output"] == 8 and answer.json["differing"] is None
    one_line(run("settings", cart_port, "--send"), "rest")
