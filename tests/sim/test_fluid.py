"""The fluid model against independent solutions: an ODE solver, and the trade package's viscosity."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from sim.skids import scenario
from skidwright.formulas import viscosity
from skidwright.sim.fluid import PlantFluid, between, classes, viscosity_constants, viscosity_mm2_s


def test_power_law() -> None:
    per_class = classes(1000.0, 3.0)
    above = np.cumsum(per_class[::-1])[::-1]
    assert above == pytest.approx([1000 * (d / 4) ** -3 for d in (4, 6, 14, 21)])


def test_viscosity_goes_through_its_two_points() -> None:
    a, b = viscosity_constants(46.0, 6.8)
    assert viscosity_mm2_s(a, b, 40.0) == pytest.approx(46.0)
    assert viscosity_mm2_s(a, b, 100.0) == pytest.approx(6.8)


@pytest.mark.parametrize("celsius", [0.0, 20.0, 60.0])
def test_viscosity_agrees_with_the_trade_package(celsius: float) -> None:
    a, b = viscosity_constants(46.0, 6.8)
    line = viscosity.line_through(40.0, 46.0, 100.0, 6.8)
    assert viscosity_mm2_s(a, b, celsius) == pytest.approx(
        float(viscosity.viscosity(line, celsius)), rel=0.01
    )


def test_clean_up_is_the_well_mixed_tank() -> None:
    dirt = {"asset": 1, "at": "0:30", "adds_4um_per_ml": 9000, "slope": 2.5}
    given = scenario(top_up=[dirt])
    asset = given.asset[0]
    fluid = PlantFluid(asset, given.top_up)
    rest = np.array(classes(asset.particles_4um_per_ml, asset.slope))
    ratio = np.array(asset.filtration_ratio)
    turnover_s = asset.filter_l_min / 60 / asset.tank_l

    def change(_: float, c: np.ndarray) -> np.ndarray:
        # What the filter takes, less what balances it at rest.
        return -turnover_s * (1 - 1 / ratio) * (c - rest)

    start = rest + np.array(classes(9000, 2.5))
    solved = solve_ivp(change, (1800, 7200), start, rtol=1e-9, atol=1e-9, dense_output=True)
    for t_s in (1800, 2500, 7200):
        assert fluid.per_ml(t_s)[:4] == pytest.approx(solved.sol(t_s), rel=1e-6)
    assert fluid.per_ml(1799)[:4] == pytest.approx(rest)


def test_straight_lines_between_points() -> None:
    points = [[10.0, 1.0], [20.0, 3.0]]
    assert [between(points, t) for t in (0, 10, 15, 20, 99)] == [1, 1, 2, 3, 3]
