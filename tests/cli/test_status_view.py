"""What `status` and `watch` say of a board whose loop wire is broken: its state, and no figure."""

from pathlib import Path

import pytest
from firmware.fake_board import FakeBoard
from skidboard.app import App
from skidwright.cli import status_view
from skidwright.link.replies import Hello

HELLO = Hello(1, "0", 1, "0" * 16, "0" * 8, 1, 0, 0, 0, 0, 0, 0)


def state_of(folder: Path, water_ua: int) -> dict:
    """The status of the real firmware with that current in the water loop, after some ticks."""
    board = FakeBoard(str(folder))
    board.real_water_ua = water_ua
    app = App(board)
    for _ in range(50):
        board.idle(100)
        app.tick()
    return app.status()


def test_a_broken_water_loop_has_a_state_and_no_figure(tmp_path: Path) -> None:
    """NAMUR NE 43: below 3.6 mA the loop has failed; by the scale 0 mA would be -25 % of saturation."""
    state = state_of(tmp_path, 0)
    water = dict(status_view.rows(state, HELLO))["water"]
    assert water == "no reading, loop failed (NE 43), 0.00 mA"
    assert "water no reading at" in status_view.line(state)
    assert status_view.plain(state)["water_cpct"] is None
    assert "-25.0" not in status_view.line(state)


def test_a_loop_that_is_whole_shows_its_figure(tmp_path: Path) -> None:
    state = state_of(tmp_path, 12_000)
    assert dict(status_view.rows(state, HELLO))["water"].startswith("50.0 % of saturation, loop ok")
    names = {"next_seq": "next_sequence_number", "stored_seq": "stored_sequence_number"}
    assert status_view.plain(state) == {names.get(name, name): value for name, value in state.items()}


@pytest.mark.parametrize("loop", ["water", "temp"])
def test_each_reading_is_left_out_with_its_own_loop(loop: str) -> None:
    name = "water_cpct" if loop == "water" else "temp_cdeg"
    state = {"water_cpct": 4000, "water_state": 0, "temp_cdeg": 4500, "temp_state": 0, f"{loop}_state": 2}
    assert [key for key, value in status_view.plain(state).items() if value is None] == [name]
    shown = dict(status_view.rows(state, HELLO))["water" if loop == "water" else "fluid"]
    assert shown.startswith("no reading")
