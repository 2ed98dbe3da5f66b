"""A week of virtual days with random faults, power cuts and contacts. `make soak DAYS=365` is the year."""

import pytest
from sim.skids import needs_micropython
from soak import run, scenario_of


@needs_micropython
@pytest.mark.slow
@pytest.mark.timeout(1800)
def test_a_week(capsys):
    lines: list[str] = []
    run(7, 1, say=lines.append)
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert lines[0].startswith("7 virtual days, seed 1: ") and " 0 samples" not in lines[0]


def test_a_year_has_every_kind_of_fault():
    kinds = {fault["kind"] for fault in scenario_of(365, 1)["fault"]}
    assert kinds == {"stop_input", "over_pressure", "water_loop_broken", "temp_loop_broken", "power_off",
                     "power_cut", "air"}  # fmt: skip
