"""Filter carts and dryers against the differential equations, integrated by SciPy, and in a plant."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from skids import scenario
from skidwright.errors import ScenarioError
from skidwright.sim import truth
from skidwright.sim.fluid import PlantFluid
from skidwright.sim.plant import Plant
from skidwright.sim.scenario import from_table, load

CART = {"asset": 1, "output": 8, "flow_l_min": 15.0, "filtration_ratio": [2.5, 10.0, 60.0, 200.0],
        "ingress_4um_per_ml_h": 120.0, "drying": 7200, "dries_to_percent": 12.0}  # fmt: skip
MACHINE = {"number": 1, "name": "a", "tank_l": 400.0, "particles_4um_per_ml": 9000.0, "water_percent": 62}


def made(**asset: Any):
    return scenario(asset=[{**MACHINE, "filter_l_min": 0.0, **asset}], cart=[CART])


def above(per_ml: list[float]) -> np.ndarray:
    return np.cumsum(per_ml[3::-1])[::-1]


@pytest.mark.parametrize("filter_l_min", [0.0, 6.0])
def test_the_tank_follows_the_equations(filter_l_min: float) -> None:
    case = made(filter_l_min=filter_l_min, rest_4um_per_ml=2000.0)
    fluid = PlantFluid(case.asset[0], [])
    slope, sizes = case.asset[0].slope, np.array([4, 6, 14, 21]) / 4.0
    turnover = 15 / 60 / 400
    ratios = np.array(CART["filtration_ratio"])
    own = filter_l_min / 60 / 400 * (1 - 1 / np.array(case.asset[0].filtration_ratio))
    inflow = 120 / 3600 * sizes**-slope
    rest = 2000 * sizes**-slope

    def rate(_t: float, n: np.ndarray) -> np.ndarray:
        # the machine's own filter takes each size class by itself, the cart what is above a size
        classes, rest_classes = np.append(-np.diff(n), n[3]), np.append(-np.diff(rest), rest[3])
        gone = np.cumsum((own * (classes - rest_classes))[::-1])[::-1]
        return inflow - turnover * (1 - 1 / ratios) * n - gone

    exact = solve_ivp(rate, (0, 7200), 9000 * sizes**-slope, rtol=1e-9, atol=1e-9).y[:, -1]
    step = 5.0
    for t_s in np.arange(step, 7200 + step, step):
        fluid.clean(case.cart[0], float(t_s), step)
    np.testing.assert_allclose(above(fluid.per_ml(7200.0)), exact, rtol=2e-3 if filter_l_min else 1e-6)
    # dW/dt = -(W - 12) / 7200 s: one time constant
    assert fluid.water_percent(7200.0) == pytest.approx(12 + 50 * np.exp(-1), rel=1e-9)
    # off again: without a filter of its own the tank stays as it is
    if not filter_l_min:
        np.testing.assert_allclose(above(fluid.per_ml(90000.0)), exact, rtol=1e-6)


def test_a_top_up_during_the_run_is_not_lost() -> None:
    case = scenario(asset=[{**MACHINE, "filter_l_min": 0.0}], cart=[{**CART, "ingress_4um_per_ml_h": 0}],
                    top_up=[{"asset": 1, "at": 100, "adds_4um_per_ml": 5000}])  # fmt: skip
    fluid = PlantFluid(case.asset[0], list(case.top_up))
    for t_s in (50.0, 100.0, 150.0):
        fluid.clean(case.cart[0], t_s, 50.0)
    per_s = 15 / 60 / 400 * (1 - 1 / 2.5)
    # all of the top-up is in by the end of the second stretch
    wanted = (9000 * np.exp(-per_s * 50) + 5000) * np.exp(-per_s * 100)
    assert above(fluid.per_ml(150.0))[0] == pytest.approx(wanted, rel=1e-9)


def test_only_the_output_that_is_on_cleans_and_the_truth_says_when(tmp_path) -> None:
    plant = Plant(made(), 1)
    tank = plant._fluids[0]
    plant.drive(0, 0)
    plant.step(60_000_000)
    assert above(tank.per_ml(60.0))[0] == pytest.approx(9000)
    plant.drive(0, 1 << 7)
    for _ in range(60):
        plant.step(10_000_000)
    plant.drive(0, 1 << 6)
    after = above(tank.per_ml(plant.t_s))[0]
    per_s = 15 / 60 / 400 * (1 - 1 / 2.5)
    floor = 120 / 3600 / per_s
    assert after == pytest.approx(floor + (9000 - floor) * np.exp(-per_s * 600), rel=1e-9)
    plant.step(60_000_000)
    assert above(tank.per_ml(plant.t_s))[0] == pytest.approx(after)
    plant.drive(0, 1 << 7)
    plant.step(5_000_000)
    plant.power_up()
    plant.truth.save(tmp_path / "truth.npz", plant.t_us, 0, [])
    carts = truth.load_carts(tmp_path / "truth.npz")
    assert carts.tolist() == [(60_000_000, 660_000_000, 1), (720_000_000, 725_000_000, 1)]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"asset": 3}, "cart.asset: 3 is no asset here"),
        ({"output": 1}, "cart.output: output 1 opens a sampling valve"),
        ({"output": 9}, "cart[1].output: 9 is outside 1 to 8"),
    ],
)
def test_refusals(change: dict[str, Any], words: str) -> None:
    with pytest.raises(ScenarioError) as caught:
        from_table({"title": "t", "duration": 60, "asset": [MACHINE], "cart": [{**CART, **change}]})
    assert words in str(caught.value)


def test_the_scenario_that_comes_along() -> None:
    flush = load("flush")
    assert flush.cart[0].drying_s == 7200 and flush.settings["cleanup_output"] == flush.cart[0].output
