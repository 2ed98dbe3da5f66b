"""A stop reaches the board, whatever else is wrong: skid.toml, archive, options, letter case."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from skidwright.link.session import Session

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "cleanup"))
from test_command import TABLE

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def cart_port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The port of a virtual skid with a filter cart at its output 8 and two assets."""
    from skidwright.sim import scenario
    from skidwright.sim.runner import VirtualSkid

    table = {
        **TABLE,
        "settings": {**TABLE["settings"], "assets": [1, 2]},
        "asset": [*TABLE["asset"], {"number": 2, "name": "other"}],
        "contact": [],
    }
    with VirtualSkid(scenario.from_table(table), tmp_path_factory.mktemp("skid"), 3) as skid:
        skid.go_live()
        yield skid.port


def begin(port: str) -> None:
    """Begin a clean-up of asset 1, unless one goes on."""
    with Session.open(port) as session:
        if not session.status()["cleanup"]["running"]:
            session.command("cleanup start 1")
        assert session.status()["cleanup"]["output"]


@pytest.mark.parametrize(
    "more",
    [
        (),
        ("--asset", 1),
        ("--asset", 2),
        ("--asset", "the ramp"),
        ("--config", "not-there.toml"),
        ("--archive", "skid.toml"),
        ("--key", "not-there.key"),
        ("--picture", "run.gif"),
        ("--follow",),
    ],
)
def test_a_clean_up_is_stopped_whatever_else_is_wrong(run, cart_port: str, more: tuple[object, ...]) -> None:
    Path("skid.toml").write_text("[[asset]]\nnumbr = 1\n", "utf-8")
    begin(cart_port)
    answer = run("cleanup", cart_port, *more, "--stop")
    assert answer.status == 0, answer
    assert answer.out == "cleanup: run of asset 1 stopped, the output is off\n"
    with Session.open(cart_port) as session:
        assert not session.status()["cleanup"]["output"]


def test_a_misspelt_option_and_a_call_for_help_stop_nothing(run, one_line, cart_port: str) -> None:
    begin(cart_port)
    one_line(run("cleanup", cart_port, "--stop", "--aset", 1), "--aset")
    assert "--follow" in run("cleanup", cart_port, "--stop", "--help").out
    with Session.open(cart_port) as session:
        assert session.status()["cleanup"]["running"]
    assert run("cleanup", cart_port, "--stop").status == 0
    one_line(run("cleanup", cart_port, "--stop"), "no clean-up is running")


@pytest.mark.parametrize(
    "words", [("stop",), ("STOP",), ("Stop", 5), ("stop", "now", "please"), ("stop", -5)]
)
def test_tell_stop_in_any_case_and_with_words_behind(run, cart_port: str, words: tuple[object, ...]) -> None:
    begin(cart_port)
    answer = run("tell", cart_port, *words)
    assert (answer.status, answer.out) == (0, "stop: done\n"), answer
    assert ("ignored" in answer.err) == (len(words) > 1)
    with Session.open(cart_port) as session:
        state = session.status()
    assert (state["state"], state["cleanup"]["output"]) == ("standby", False)


def test_the_port_may_be_in_the_environment(run, cart_port: str, monkeypatch: pytest.MonkeyPatch) -> None:
    begin(cart_port)
    monkeypatch.setenv("SKIDWRIGHT_PORT", cart_port)
    assert run("cleanup", "--stop").out == "cleanup: run of asset 1 stopped, the output is off\n"


def test_other_commands_are_as_strict_about_numbers_as_before(run, one_line, cart_port: str) -> None:
    one_line(run("tell", cart_port, "START", 5), "start: takes no number")
    one_line(run("tell", cart_port, "duty", "some"), "some", "whole numbers")


def test_a_stop_at_a_held_port_says_what_stops_the_skid(run, one_line, cart_port: str) -> None:
    with Session.open(cart_port):
        one_line(run("tell", cart_port, "stop"), "Ctrl-C in the window that holds it", "stop chain")
