"""Draws against closed form and scipy; results against the product of means, and against hand-made cases."""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from skidwright import money
from skidwright.errors import ConfigError
from skidwright.register.model import CostRange

RANGES = [(0.0, 0.05, 0.2), (10.0, 10.0, 30.0), (5.0, 9.0, 9.0), (200.0, 400.0, 900.0)]
DRAWS = 200_000


def drawn(low: float, likely: float, high: float, shape: str) -> np.ndarray:
    return money.draw(low, likely, high, DRAWS, np.random.default_rng(7), shape)


@pytest.mark.parametrize(("low", "likely", "high"), RANGES)
def test_triangular_draws(low: float, likely: float, high: float) -> None:
    values = drawn(low, likely, high, money.TRIANGULAR)
    # closed form: mean (a + b + c) / 3, variance (a2 + b2 + c2 - ab - ac - bc) / 18
    mean = (low + likely + high) / 3
    variance = (low**2 + likely**2 + high**2 - low * likely - low * high - likely * high) / 18
    wander = math.sqrt(variance / DRAWS)
    assert abs(values.mean() - mean) < 5 * wander
    assert values.var() == pytest.approx(variance, rel=0.02)
    same = stats.triang((likely - low) / (high - low), low, high - low)
    assert stats.kstest(values, same.cdf).pvalue > 1e-4
    print(f"figure: triangular {low:g}-{likely:g}-{high:g}: mean off by {values.mean() / mean - 1:+.3%}, "
          f"variance by {values.var() / variance - 1:+.2%} of the closed form")  # fmt: skip


@pytest.mark.parametrize(("low", "likely", "high"), RANGES)
def test_pert_draws(low: float, likely: float, high: float) -> None:
    values = drawn(low, likely, high, money.PERT)
    assert values.mean() == pytest.approx((low + 4 * likely + high) / 6, rel=0.005)
    width = high - low
    same = stats.beta(1 + 4 * (likely - low) / width, 1 + 4 * (high - likely) / width, low, width)
    assert stats.kstest(values, same.cdf).pvalue > 1e-4


def outcome(
    shape: str = money.TRIANGULAR, draws: int = DRAWS, seed: int = 1, **ranges: tuple
) -> money.Outcome:
    given = {name: (CostRange(name, *map(float, values)), "test") for name, values in ranges.items()}
    return money.simulate(*money.assumptions(given), draws, seed, shape)


CASE = {
    "failures_per_year": (0.2, 0.5, 1),
    "downtime_h_per_failure": (4, 10, 30),
    "downtime_per_h": (200, 400, 900),
    "repair_per_failure": (1000, 3000, 9000),
    "parts_per_year": (0, 100, 500),
    "fluid_l_per_year": (50, 80, 200),
    "fluid_per_l": (2, 3, 7),
    "energy_per_year": (2000, 3000, 4000),
    "share_avoided": (0.1, 0.3, 0.6),
    "efficiency_lost": (0, 0.05, 0.2),
    "first_cost": (4000, 6000, 9000),
    "running_per_year": (300, 500, 900),
}


def test_the_mean_benefit_is_that_of_the_means() -> None:
    # what is drawn apart has the product of means as the mean of its product
    m = {name: sum(values) / 3 for name, values in CASE.items()}
    expected = m["share_avoided"] * (
        m["failures_per_year"]
        * (m["downtime_h_per_failure"] * m["downtime_per_h"] + m["repair_per_failure"])
        + m["parts_per_year"] + m["fluid_l_per_year"] * m["fluid_per_l"]
        + m["efficiency_lost"] * m["energy_per_year"]
    ) - m["running_per_year"]  # fmt: skip
    found = outcome(**CASE)
    print(f"figure: benefit a year: mean {found.benefit_per_year.mean:.0f}, closed form {expected:.0f}")
    assert found.benefit_per_year.mean == pytest.approx(expected, rel=0.02)
    assert sum(part.mean for part in found.parts.values()) - m["running_per_year"] == pytest.approx(
        found.benefit_per_year.mean, rel=0.01
    )


def test_figures_known_exactly_give_a_result_known_exactly() -> None:
    found = outcome(failures_per_year=(1,) * 3, repair_per_failure=(1000,) * 3, share_avoided=(0.5,) * 3,
                    first_cost=(900,) * 3, running_per_year=(200,) * 3)  # fmt: skip
    # half of 1000 is saved, 200 goes into running: 300 a year, and 900 are back after 3 years
    assert (found.benefit_per_year.p5, found.benefit_per_year.p50, found.benefit_per_year.p95) == (300,) * 3
    assert (found.payback_years.p5, found.payback_years.mean, found.payback_years.p95) == (3, 3, 3)
    assert found.pays == found.pays_within_5_years == 1 and found.drivers == {}


def test_a_programme_that_costs_more_than_it_saves_never_pays() -> None:
    found = outcome(first_cost=(1000,) * 3, running_per_year=(100, 200, 300))
    assert found.payback_years == money.Spread(None, None, None, None)
    assert found.pays == 0 and found.benefit_per_year.p95 < 0


def test_the_same_seed_gives_the_same_and_another_nearly_the_same() -> None:
    assert outcome(**CASE) == outcome(**CASE)
    one, other = outcome(**CASE), outcome(seed=2, **CASE)
    assert one != other
    assert one.benefit_per_year.p50 == pytest.approx(other.benefit_per_year.p50, rel=0.02)


def test_every_assumption_is_told_with_where_it_comes_from() -> None:
    found = outcome(first_cost=(1, 2, 3))
    told = {a.item: a for a in found.assumptions}
    assert set(told) == set(money.ITEMS)
    assert "common practice, no source" in told["efficiency_lost"].source
    assert (told["efficiency_lost"].high, told["first_cost"].source) == (0.2, "test")
    assert "downtime_per_h" in found.missing and "efficiency_lost" not in found.missing


def test_drivers_are_the_rank_correlations_of_scipy() -> None:
    used, missing = money.assumptions({
        "failures_per_year": (CostRange("failures_per_year", 0, 1, 5), ""),
        "repair_per_failure": (CostRange("repair_per_failure", 10, 20, 30), ""),
    })  # fmt: skip
    found = money.simulate(used, missing, 2000)
    rng = np.random.default_rng(1)
    x = {a.item: money.draw(a.low, a.likely, a.high, 2000, rng, money.TRIANGULAR) for a in used}
    benefit = x["share_avoided"] * x["failures_per_year"] * x["repair_per_failure"]
    for name in ("share_avoided", "failures_per_year", "repair_per_failure"):
        assert found.drivers[name] == pytest.approx(stats.spearmanr(x[name], benefit).statistic, abs=1e-9)
    assert next(iter(found.drivers)) == "failures_per_year"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(0, 1e6), min_size=3, max_size=3).map(sorted), st.sampled_from(["triangular", "pert"])
)
def test_draws_stay_within_their_range(ends: list[float], shape: str) -> None:
    values = money.draw(*ends, 500, np.random.default_rng(1), shape)
    assert values.min() >= ends[0] * (1 - 1e-12) and values.max() <= ends[2] * (1 + 1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("downtime = [1, 2, 3]\n", "downtime: there is no such item"),
        ("first_cost = [3, 2, 1]\n", "first_cost: 3 2 1 is no range"),
        ("first_cost = [1, 2]\n", "write [lowest, likeliest, highest]"),
        ('first_cost = "much"\n', "first_cost: much is no range"),
        ("share_avoided = [0, 1, 2]\n", "0 to 1 share"),
        ("first_cost = [1, 2, inf]\n", "first_cost: 1 2 inf is not allowed"),
        ("first_cost = -5\n", "not allowed"),
        ("first_cost = true\n", "is no range"),
        ("first_cost\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_in_a_file_of_costs_is_named(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "costs.toml"
    path.write_text(text)
    with pytest.raises(ConfigError) as caught:
        money.load(path)
    assert words in str(caught.value) and "costs.toml" in str(caught.value)


def test_a_file_of_costs(tmp_path: Path) -> None:
    path = tmp_path / "costs.toml"
    path.write_text("first_cost = 5000\nfluid_per_l = [2, 3.5, 7]\n")
    assert money.load(path) == [
        CostRange("first_cost", 5000, 5000, 5000),
        CostRange("fluid_per_l", 2, 3.5, 7),
    ]
