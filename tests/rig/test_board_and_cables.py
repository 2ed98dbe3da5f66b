"""The prototype board's layout and the cable list: whole, without overlap, each end in one place."""

from __future__ import annotations

import re
from collections import Counter
from itertools import combinations
from pathlib import Path

import pytest
from skidwright.rig.circuit.checks import load
from skidwright.rig.drawing import prototype_board
from skidwright.rig.wiring.cable_list import cable_list

HARDWARE = Path(__file__).parents[2] / "hardware"
FILES = load(HARDWARE)
TAKEN = FILES.wiring.combinations()


@pytest.mark.parametrize("n", range(len(TAKEN)))
def test_every_part_has_a_place_and_none_overlap(n):
    wiring = FILES.wiring.with_options(TAKEN[n])
    places = prototype_board.places(FILES.circuits[n], wiring)
    refs = [p.ref for p in FILES.circuits[n].parts] + [c.id for c in wiring.connectors]
    assert sorted(p.ref for p in places) == sorted(refs)
    for a, b in combinations(places, 2):
        apart = (
            a.column + a.across <= b.column
            or b.column + b.across <= a.column
            or a.row + a.down <= b.row
            or b.row + b.down <= a.row
        )
        assert apart, (a, b)
    assert max(p.column + p.across for p in places) * 2.54 < prototype_board.WIDTH_MM
    assert max(p.row + p.down for p in places) * 2.54 < prototype_board.HEIGHT_MM


def test_the_layout_is_to_scale():
    """CSS: 96 pixels are 25.4 mm (CSS Values and Units, section 6.2); the bar of 100 mm is 377.95 pixels."""
    text = (HARDWARE / "prototype_board.svg").read_text()
    bar = re.search(r'<polyline points="20,([\d.]+) ([\d.]+),\1"[^>]*stroke-width="2"', text)
    assert float(bar[2]) - 20 == pytest.approx(100 * 96 / 25.4, abs=0.02)


def test_the_pumps_transistor_diode_and_capacitor_are_neighbours():
    """No more than 60 mm between them: the loop's inductance was taken for that."""
    at = {p.ref: p for p in prototype_board.places(FILES.circuit, FILES.wiring.with_options(TAKEN[0]))}
    for a, b in combinations(("Q1", "D1", "C2", "C3"), 2):
        distance = abs(at[a].column - at[b].column) + abs(at[a].row - at[b].row)
        assert distance * 2.54 < 60, (a, b)


def test_each_core_has_a_number_of_its_own_and_each_pin_a_core():
    cores = cable_list(FILES.wiring)
    pins = Counter(c.pin for c in cores)
    assert set(pins) == {f"{d.id}.{pin}" for d in FILES.wiring.devices for pin in d.pins}
    assert set(pins.values()) == {1}
    for cable in {c.cable for c in cores}:
        numbers = [c.core for c in cores if c.cable == cable]
        assert len(set(numbers)) == len(numbers), cable
    counter = {c.net: c.core for c in cores if c.cable == "W-B1"}
    assert [counter[f"count_{um}um"] for um in (4, 6, 14, 21)] == ["3", "4", "5", "6"]
    # a cable's cores suffice, the screen not counted
    kinds = {c.name: c for c in FILES.wiring.cables}
    for d in FILES.wiring.devices:
        if d.cable:
            used = [c for c in cores if c.cable == f"W-{d.id}" and c.core != "screen"]
            assert len(used) <= kinds[d.cable].cores
