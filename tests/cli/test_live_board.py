"""The commands that talk to a board, on a virtual skid behind a real port."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow


def test_status_names_state_and_board(run, live_port: str) -> None:
    answer = run("status", live_port, "--json")
    assert answer.status == 0, answer
    state = answer.json
    assert state["faults"] == []
    assert state["samples"] >= 1
    assert len(state["device"]) == 16
    text = run("status", live_port).out
    assert state["device"] in text and "faults" in text and "none" in text


def test_watch_looks_as_often_as_told(run, live_port: str) -> None:
    lines = run("watch", live_port, "--json", "--times", 2, "--every", 0.2).out.splitlines()
    assert [json.loads(line)["asset"] for line in lines] == [1, 1]
    shown = run("watch", live_port, "--times", 2, "--every", 0.2)
    assert shown.status == 0
    assert [" flow " in line for line in shown.out.splitlines()] == [True, True]


def test_ports_marks_the_skid(run, live_port: str) -> None:
    rows = run("ports", live_port, "/dev/not-there", "--json").json["ports"]
    (skid,) = [row for row in rows if row["port"] == live_port]
    (missing,) = [row for row in rows if row["port"] == "/dev/not-there"]
    assert skid["skid"] is True and skid["firmware"]
    assert missing["skid"] is False and "no such port" in missing["answer"]


def test_mark_and_tell(run, one_line, live_port: str, tmp_path: Path) -> None:
    assert run("mark", live_port, "filter changed – 10 µm").status == 0
    assert run("tell", live_port, "stop").status == 0
    one_line(run("tell", live_port, "reset"), "not tripped")
    one_line(run("tell", live_port, "hold"), "a number")
    one_line(run("tell", live_port, "duty", "-5"), "-5 is outside")
    one_line(run("tune", live_port), "Start the pump?", "give --yes")
    one_line(run("tell", live_port, "start", 5), "no number")
    for beyond in (("hold", 9999), ("duty", 5000), ("duty", 300, 99_999)):
        refused = run("tell", live_port, *beyond)
        one_line(refused, "outside")
        assert refused.out == "", "no caution for what is refused"
    by_hand = run("tell", live_port, "hold", 800, 30)
    assert by_hand.status == 0 and by_hand.out.index("stop chain within reach") < by_hand.out.index("done")
    assert run("status", live_port, "--json").json["state"] == "manual"
    assert run("tell", live_port, "auto").status == 0
    assert "inject fluid through the skin" in run("tell", live_port, "start").out
    assert "docs/safety.md" not in run("tell", live_port, "stop").out
    assert run("tell", live_port, "start").status == 0
    one_line(run("mark", live_port, "two\nlines"), "one line")
    archive = tmp_path / "archive"
    pulled = run("pull", live_port, "--archive", archive)
    assert pulled.status == 0
    assert pulled.out.splitlines()[-1].endswith("; chained by SHA-256 without a key")
    run("report", "--archive", archive)
    assert "filter changed – 10 µm" in next(Path("reports").glob("*.html")).read_text("utf-8")


def test_settings_are_shown_sent_and_refused(run, one_line, live_port: str) -> None:
    before = run("settings", live_port, "--json").json["settings"]
    assert before["rest_s"] == 20
    one_line(run("settings", live_port, "--send"), "skid.toml")
    values = {name: value for name, value in before.items() if name != "rest_s"}
    lines = "\n".join(f"{name} = {json.dumps(value)}" for name, value in values.items())
    Path("skid.toml").write_text(f"[board]\n{lines}\nrest_s = 25\n")
    answer = run("settings", live_port, "--json")
    assert (answer.status, answer.json["differing"]) == (1, ["rest_s"])
    assert "may start by itself" in run("settings", live_port, "--send").out
    Path("skid.toml").write_text(f"[board]\n{lines}\nrest_s = 26\n")
    answer = run("settings", live_port, "--send", "--json")
    assert (answer.status, answer.json["changed"]) == (0, 1)
    assert run("settings", live_port, "--json").json["settings"]["rest_s"] == 26


def test_pulling_twice_moves_only_what_is_new(run, live_port: str, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    first = run("pull", live_port, "--archive", archive, "--json").json
    second = run("pull", live_port, "--archive", archive, "--json").json
    assert first["records"] >= 3
    assert second["records"] <= 3  # the contact of the pull itself, and what the skid did meanwhile
    answer = run("check", "--archive", archive, "--json").json
    assert answer["logs"][0]["records"] == first["records"] + second["records"]
    assert answer["logs"][0]["damaged_records"] == 0


def test_sim_offers_a_port_until_stopped(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "skidwright.cli", "sim", "--until", "0:02", "--folder", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        try:
            port = ""
            for line in process.stdout:
                if line.startswith("port: "):
                    port = line.split()[1]
                    break
            status = subprocess.run(
                [sys.executable, "-m", "skidwright.cli", "status", port, "--json"],
                capture_output=True,
                text=True,
            )
            assert json.loads(status.stdout)["boot"] == 1, status.stderr
        finally:
            process.send_signal(2)
            assert process.wait(20) == 0
        assert "Traceback" not in process.stderr.read()
