"""Scenarios of a few minutes, in Python."""

from __future__ import annotations

from typing import Any

import pytest
from skidwright.sim import board_process
from skidwright.sim.scenario import from_table
from skidwright.sim.scenario_keys import Scenario

needs_micropython = pytest.mark.skipif(board_process.micropython() is None, reason="no MicroPython here")


def scenario(**tables: Any) -> Scenario:
    """One asset for an hour, with whatever tables are given."""
    return from_table({"title": "test", "duration": "1:00", "asset": [{"number": 1, "name": "a"}], **tables})
