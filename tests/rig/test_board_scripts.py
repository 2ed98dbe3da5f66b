"""The scripts of tests/board are meant for a board or an emulated one; here they run on the fake board."""

from __future__ import annotations

import importlib.util
import sys
import time
from pathlib import Path
from types import ModuleType

import pytest
from firmware.fake_board import FakeBoard

FOLDER = Path(__file__).parents[1] / "board"


@pytest.fixture
def board(tmp_path, monkeypatch):
    made = FakeBoard(str(tmp_path))
    monkeypatch.setattr(time, "ticks_us", made.ticks_us, raising=False)
    monkeypatch.setattr(
        time, "ticks_diff", lambda a, b: (a - b + (1 << 29)) % (1 << 30) - (1 << 29), raising=False
    )
    return made


def script(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, FOLDER / f"{name}.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    sys.modules.pop(name, None)
    return module


def test_tick_times(board):
    lines = script("tick_times").measure(board, 90)
    assert ", 0 of them allocated; " in lines[0]
    # The fake board's ticks come when they are due, to its step of 5 ms.
    assert "median 100000, 99 % 100000, longest 100000 us" in lines[1]
    assert board.left is False and board.duty_permille == 0


def test_count_under_load(board):
    board._particles = [0.0] * 6
    board.duty_permille = 500
    counted, written = script("count_under_load").measure(board, board.ticks_ms, 3)
    # 2 mL/s for 3 s less the lag; 4000 particles a millilitre
    n = int(counted.split("[")[1].split(",")[0])
    assert 20_000 < n < 24_000
    assert int(counted.split("meter ")[1]) == pytest.approx(n / 800, abs=1)
    assert int(written.split(" ")[0]) > 100
