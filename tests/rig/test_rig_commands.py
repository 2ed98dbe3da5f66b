"""The commands `size` and `wiring` as a user runs them: output, exit status, one line on error."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from firmware.fake_board import FakeBoard
from skidboard.app import App
from skidwright.cli.app import run
from skidwright.cli.status_view import rows, wiring_rows
from skidwright.link.replies import Hello
from skidwright.rig.products import example_rig

HARDWARE = Path(__file__).parents[2] / "hardware"


@pytest.fixture
def rig(tmp_path):
    path = tmp_path / "rig.toml"
    path.write_text(example_rig())
    return path


def test_the_example_is_printed_and_sizes_well(rig, tmp_path, capsys):
    assert run(["size", "--example"]) == 0
    assert capsys.readouterr().out == example_rig().rstrip("\n") + "\n"
    assert run(["size", str(rig), "--picture", str(tmp_path / "rig.svg")]) == 0
    said = capsys.readouterr().out
    assert "Nothing falls short." in said
    assert "Coldest oil it can sample: 8 degC; what stops it first is released air" in said
    assert "Never feel for a leak" in said
    # ready to be copied
    assert "\nflow_set_ul_s = 833\nflow_low_ul_s = 667\n" in said
    assert (tmp_path / "rig.svg").is_file()


def test_a_shortfall_is_said_and_exits_with_1(rig, capsys):
    rig.write_text(example_rig().replace("torque_limit_nm = 0.50", "torque_limit_nm = 0.06"))
    assert run(["size", str(rig)]) == 1
    assert "Shortfall: Torque is out of its limit at 10 degC" in capsys.readouterr().out
    assert run(["size", str(rig), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["shortfalls"]
    assert found["settings"]["flow_set_ul_s"] == 833
    assert {"name", "unit", "cold", "hot", "limit", "ok"} == set(found["figures"][0])


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["size"], "size --example"),
        (["size", "nowhere.toml"], "cannot be read"),
        (["wiring", "check", "--hardware", "nowhere"], "has no wiring.toml"),
        (["wiring", "make", "nowhere"], "cannot be read"),
    ],
)
def test_what_cannot_be_done_is_one_line(arguments, words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert run(arguments) == 2
    told = capsys.readouterr().err
    assert words in told
    assert told.count("\n") == 1


def test_wiring_is_checked(tmp_path, capsys):
    assert run(["wiring", "check", "--hardware", str(HARDWARE)]) == 0
    said = capsys.readouterr().out
    assert "No problems with 26 signals." in said and "disconnect 24 V and USB" in said
    text = (HARDWARE / "wiring.toml").read_text().replace("gpio = 3\n", "gpio = 2\n", 1)
    for name in ("front_end.toml", "circuit.toml"):
        (tmp_path / name).write_text((HARDWARE / name).read_text())
    (tmp_path / "wiring.toml").write_text(text)
    assert run(["wiring", "check", "--hardware", str(tmp_path), "--json"]) == 1
    assert [p["rule"] for p in json.loads(capsys.readouterr().out)["problems"]] == ["pin-twice"]


def test_pin_table_and_front_end_are_printed(tmp_path, capsys):
    assert run(["wiring", "table", "--hardware", str(HARDWARE)]) == 0
    assert "GP16" in capsys.readouterr().out
    assert run(["wiring", "front-end", "--hardware", str(HARDWARE)]) == 0
    assert "Every limit is kept" in capsys.readouterr().out
    text = (HARDWARE / "front_end.toml").read_text().replace("shunt_ohm = 150.0", "shunt_ohm = 250.0")
    (tmp_path / "front_end.toml").write_text(text)
    (tmp_path / "wiring.toml").write_text((HARDWARE / "wiring.toml").read_text())
    assert run(["wiring", "front-end", "--hardware", str(tmp_path), "--json"]) == 1
    assert any("take a smaller shunt" in s for s in json.loads(capsys.readouterr().out)["shortfalls"])


def test_nothing_is_made_from_a_faulty_wiring(tmp_path, capsys):
    (tmp_path / "hardware").mkdir()
    text = (HARDWARE / "wiring.toml").read_text().replace("gpio = 3\n", "gpio = 2\n", 1)
    for name in ("front_end.toml", "circuit.toml"):
        (tmp_path / "hardware" / name).write_text((HARDWARE / name).read_text())
    (tmp_path / "hardware" / "wiring.toml").write_text(text)
    assert run(["wiring", "make", str(tmp_path)]) == 2
    assert "both are on GPIO 2" in capsys.readouterr().err
    made = {p.name for p in tmp_path.rglob("*.*")}
    assert made == {"wiring.toml", "front_end.toml", "circuit.toml"}


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_picture_that_cannot_be_written_leaves_the_old_one(rig, tmp_path):
    """A file may grow to 4 KB in the child, as on a disk that is full then."""
    picture = tmp_path / "rig.svg"
    picture.write_text("the old one")
    script = (
        "import resource, sys; from skidwright.cli.app import run;"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096)); sys.exit(run(sys.argv[1:]))"
    )
    command = [sys.executable, "-c", script, "size", str(rig), "--picture", str(picture)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 2, done
    # matplotlib may say before that it cannot write its own cache
    assert "rig.svg" in done.stderr.splitlines()[-1] and "Traceback" not in done.stderr
    assert picture.read_text() == "the old one"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["rig.svg", "rig.toml"]


def test_status_shows_every_input_of_the_wiring(tmp_path):
    """The rows that the build guide's wiring checks look at, from the firmware's own answer."""
    board = FakeBoard(str(tmp_path))
    board.real_water_ua, board.real_temp_ua, board.temp_ohm = 7654, 12345, 10987
    board.tacho_count = 4321
    app = App(board)
    app.tick()
    board.input_bits = 5
    board._particles = [11.0, 22.0, 33.0, 44.0, 55.0, 66.0]
    board._edges = 77
    app.tick()
    shown = "\n".join(" ".join(row) for row in wiring_rows(app.status()))
    for words in (
        "stop chain open", "pressure switch closed", "safe-mode jumper set",
        "11  22  33  44  55  66", "meter 77", "pump 4321", "12.35 mA", "10987 ohm",
    ):  # fmt: skip
        assert words in shown, (words, shown)
    hello = Hello(1, "0", 1, "0" * 16, "0" * 8, 1, 0, 0, 0, 0, 0, 0)
    assert "7.65 mA" in " ".join(dict(rows(app.status(), hello)).values())
