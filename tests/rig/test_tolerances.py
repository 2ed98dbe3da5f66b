"""Every input over its parts' tolerances in ngspice: all corners, and 500 draws each, against the
formulas.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from skidwright.rig.circuit import tolerances
from skidwright.rig.circuit.checks import load
from skidwright.rig.front_end import netlists
from skidwright.rig.front_end.calculation import calculate

HARDWARE = Path(__file__).parents[2] / "hardware"
FILES = load(HARDWARE)
CASES = {c.name: c for c in tolerances.cases(FILES.circuit, FILES.front_end)}
QUANTITIES = {q.name: q for block in calculate(FILES.front_end).values() for q in block}
DRAWS = int(os.environ.get("SKIDWRIGHT_DRAWS", "500"))

pytestmark = pytest.mark.skipif(
    not netlists.available(), reason="ngspice is not installed (apt install ngspice)"
)

# What each figure must keep: least, most. IEC 61131-2 type 1: 5 V is off, 15 V is on; RP2040: 0.8 and 2.0 V.
LIMITS = {
    "water_loop at 4 mA": (595.0, 605.0), "water_loop at 20 mA": (2975.0, 3025.0),
    "temp_loop at 4 mA": (595.0, 605.0), "temp_loop at 20 mA": (2975.0, 3025.0),
    "rising threshold": (0.0, 2500.0), "falling threshold": (800.0, 3300.0),
    "contact input at 5 V": (2000.0, 3400.0), "contact input at 15 V": (-100.0, 800.0),
    "thermistor's error at -10 degC, parts alone": (-1.0, 1.0),
    "thermistor's error at 90 degC, parts alone": (-1.0, 1.0),
}  # fmt: skip
# The same corners by the formulas of the front end.
BY_FORMULA = ("rising threshold", "falling threshold")


@pytest.mark.parametrize("name", CASES)
def test_an_input_keeps_its_limits_in_every_corner_and_every_draw(name):
    case = CASES[name]
    spread = tolerances.spread_of(FILES.circuit, case)
    at = tolerances.corners(spread)
    found = tolerances.run(FILES.circuit, FILES.front_end, case, at + tolerances.draws(spread, DRAWS, seed=7))
    corner, drawn = found[: len(at)], found[len(at) :]
    assert len(at) == 2 ** len(spread) and len(spread) >= 2 and len(drawn) == DRAWS
    least, most = LIMITS[name]
    span = (min(corner), max(corner))
    margin = min(span[0] - least, most - span[1])
    print(
        f"figure: {name}: corners {span[0]:.4g} to {span[1]:.4g} {case.unit}, "
        f"{DRAWS} draws {min(drawn):.4g} to {max(drawn):.4g}, margin {margin:.3g}"
    )
    assert margin > 0
    # A figure that follows each part one way has its extremes in corners; draws lie between them, and vary.
    slack = 1e-6 + 0.002 * (span[1] - span[0])
    assert span[0] - slack <= min(drawn) < max(drawn) <= span[1] + slack
    if name in BY_FORMULA:
        quantity = QUANTITIES[name]
        assert span == pytest.approx((quantity.low, quantity.high), rel=0.005)


def test_a_part_of_wider_tolerance_is_found():
    """Thresholds with 20 % resistors and a supply of 20 % would not keep their limit."""
    case = CASES["rising threshold"]
    spread = {
        k: (0.75 * (a + b) / 2, 1.25 * (a + b) / 2)
        for k, (a, b) in tolerances.spread_of(FILES.circuit, case).items()
    }
    found = tolerances.run(FILES.circuit, FILES.front_end, case, tolerances.corners(spread))
    assert max(found) > LIMITS["rising threshold"][1]
