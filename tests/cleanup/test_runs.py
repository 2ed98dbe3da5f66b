"""A few random clean-up runs (`make cleanup-runs` plays many): the board stops at the right sample."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from skidboard import cleanup
from skidwright.sim import board_process

sys.path.insert(0, str(Path(__file__).resolve().parent))
import trial  # noqa: E402

# Drawn so that all ways to end and all disturbances are among them; 11 has air that no check sees.
SEEDS = (0, 1, 2, 5, 6, 9, 11, 12)


def test_the_board_stops_at_the_right_sample(tmp_path: Path) -> None:
    outcomes = [trial.run_here(seed, tmp_path / str(seed)) for seed in SEEDS]
    assert not [problem for outcome in outcomes for problem in outcome.problems]
    for line in trial.figures(outcomes):
        print(f"figure: {line}")
    assert sum(outcome.how == cleanup.ON_TARGET for outcome in outcomes) >= 4
    assert sum(outcome.invalid for outcome in outcomes) > 0


@pytest.mark.slow
@pytest.mark.skipif(board_process.micropython() is None, reason="no MicroPython here")
def test_under_micropython(tmp_path: Path) -> None:
    outcomes = [trial.run_behind_terminal(seed, tmp_path / str(seed)) for seed in (3, 5)]
    assert not [problem for outcome in outcomes for problem in outcome.problems]


def test_what_the_right_sample_is() -> None:
    place = np.arange(6)
    clean = np.array([True, True, False, True, True, True])
    valid = np.array([True, True, True, True, False, True])
    # 0 and 1, then one above the target; 3 counts, 4 counts for nothing, 5 is the second
    assert trial.first_row(place, valid, clean, 2) == 1
    assert trial.first_row(place[1:], valid, clean, 2) == 5
    assert trial.first_row(place, valid, clean, 3) is None
