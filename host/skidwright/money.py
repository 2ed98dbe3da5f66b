"""What contamination costs a machine, and whether cleaning pays: ranges in, ranges out, by simulation.

Every assumption is a range lowest - likeliest - highest and is drawn from a triangular distribution, or from
a PERT one (a beta distribution whose mean is (lowest + 4 likeliest + highest) / 6: D. G. Malcolm et al.,
Operations Research 7, 1959; from memory), each apart from all others. A seed makes it the same each time.

A year's benefit:

    saved = share_avoided x (failures x (downtime_h_per_failure x downtime_per_h + repair_per_failure)
                             + parts + fluid_l x fluid_per_l)
            + efficiency_lost x share_avoided x energy
    benefit = saved - running
    payback in years = first cost / benefit, none where the benefit is not above 0

Money is in whatever currency the shop enters; nothing is discounted.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from skidwright.arrays import Floats
from skidwright.config.checked_toml import read_toml
from skidwright.errors import ConfigError
from skidwright.register.model import CostRange

TRIANGULAR, PERT = "triangular", "pert"
DRAWS = 20_000
PERCENTILES = (5, 50, 95)
MAX_AMOUNT = 1e12


@dataclass(frozen=True)
class Item:
    """An assumption: its unit, what it means, the largest value it may have, and the range taken without one.

    `mark` says where that range comes from; items without one must be entered or count as 0.
    """

    unit: str
    meaning: str
    highest: float = MAX_AMOUNT
    usual: tuple[float, float, float] | None = None
    mark: str = ""


ITEMS = {
    "failures_per_year": Item("1/year", "Failures a year that dirt or water had a part in.", 1e4),
    "downtime_h_per_failure": Item("h", "How long the machine stands at such a failure.", 1e5),
    "downtime_per_h": Item("money/h", "What an hour of standing costs."),
    "repair_per_failure": Item("money", "Parts and work of such a failure."),
    "parts_per_year": Item("money/year", "Parts worn by dirt and changed as a matter of course."),
    "fluid_l_per_year": Item("L/year", "Fluid that is replaced a year.", 1e9),
    "fluid_per_l": Item("money/L", "What a litre costs, with changing and disposal."),
    "energy_per_year": Item("money/year", "Energy that the machine's hydraulics take a year."),
    "efficiency_lost": Item(
        "share of 1", "Share of that energy lost to wear before anyone notices.", 1, (0, 0.05, 0.2),
        "up to a fifth of its efficiency can be lost before an operator notices (common practice, no "
        "source); that a twentieth is likely is this project's judgement",
    ),
    "share_avoided": Item(
        "share of 1", "Share of all of this that cleaner fluid avoids.", 1, (0.1, 0.3, 0.6),
        "this project's judgement, no source: enter what your own records show",
    ),
    "first_cost": Item("money", "What the programme costs at first: skid, filters, work."),
    "running_per_year": Item("money/year", "What it costs a year: elements, sampling, calibration."),
}  # fmt: skip


@dataclass(frozen=True)
class Assumption:
    """A range as it is used, and where it comes from."""

    item: str
    low: float
    likely: float
    high: float
    source: str


@dataclass(frozen=True)
class Spread:
    """A result: its mean and its 5th, 50th and 95th percentile. None for a payback that does not come."""

    mean: float | None
    p5: float | None
    p50: float | None
    p95: float | None


@dataclass(frozen=True)
class Outcome:
    """What the assumptions lead to. Money a year, payback in years; `pays` is the share of draws that pay.

    `parts` are the yearly savings by what they come from; `missing` are items that were taken as 0.
    """

    assumptions: tuple[Assumption, ...]
    benefit_per_year: Spread
    payback_years: Spread
    pays_within_5_years: float
    pays: float
    parts: dict[str, Spread]
    drivers: dict[str, float]
    missing: tuple[str, ...]
    draws: int
    seed: int
    shape: str


def check(cost: CostRange) -> None:
    """ConfigError unless `cost` is a range that can be used."""
    where = f"cost {cost.item}"
    item = ITEMS.get(cost.item)
    if item is None:
        raise ConfigError("there is no such item", where, f"known are {', '.join(ITEMS)}")
    values = (cost.low, cost.likely, cost.high)
    if not all(math.isfinite(x) and 0 <= x <= item.highest for x in values):
        raise ConfigError(
            f"{' '.join(f'{x:g}' for x in values)} is not allowed", where,
            f"give 0 to {item.highest:g} {item.unit}",
        )  # fmt: skip
    if not cost.low <= cost.likely <= cost.high:
        raise ConfigError(
            f"{' '.join(f'{x:g}' for x in values)} is no range", where, "give lowest, likeliest, highest"
        )


def load(path: Path) -> list[CostRange]:
    """Ranges of a TOML file: `item = [lowest, likeliest, highest]`, one number for what is known exactly.

    Raises ConfigError.
    """
    try:
        raw = read_toml(path)
    except OSError as error:
        raise ConfigError(
            error.strerror or "cannot be read", str(path), "check the file and its permissions"
        ) from None
    except ValueError as error:
        raise ConfigError(f"not valid TOML: {error}", str(path), "correct that place") from None
    found = []
    for name, value in raw.items():
        given = value if isinstance(value, list) else [value] * 3
        if len(given) != 3 or not all(type(x) in (int, float) for x in given):
            raise ConfigError(
                f"{str(value)[:40]} is no range", f"{path}: {name}", "write [lowest, likeliest, highest]"
            )
        cost = CostRange(name, float(given[0]), float(given[1]), float(given[2]))
        try:
            check(cost)
        except ConfigError as error:
            raise ConfigError(error.what, f"{path}: {name}", error.remedy) from None
        found.append(cost)
    return found


def assumptions(given: Mapping[str, tuple[CostRange, str]]) -> tuple[list[Assumption], list[str]]:
    """Each item's range with its source: what was given, else what is usual, else 0; and which are 0."""
    used, missing = [], []
    for name, item in ITEMS.items():
        if name in given:
            cost, source = given[name]
            used.append(Assumption(name, cost.low, cost.likely, cost.high, source))
        elif item.usual is not None:
            used.append(Assumption(name, *item.usual, item.mark))
        else:
            used.append(Assumption(name, 0.0, 0.0, 0.0, "not entered, taken as 0"))
            missing.append(name)
    return used, missing


def draw(low: float, likely: float, high: float, draws: int, rng: np.random.Generator, shape: str) -> Floats:
    """`draws` values of a range, from a triangular or a PERT distribution."""
    if low == high:
        return np.full(draws, low)
    if shape == TRIANGULAR:
        return rng.triangular(low, likely, high, draws)
    width = high - low
    a, b = 1 + 4 * (likely - low) / width, 1 + 4 * (high - likely) / width
    return np.asarray(low + width * rng.beta(a, b, draws))


def simulate(
    used: list[Assumption],
    missing: list[str],
    draws: int = DRAWS,
    seed: int = 1,
    shape: str = TRIANGULAR,
) -> Outcome:
    """Benefit a year and payback, each as a range."""
    rng = np.random.default_rng(seed)
    x = {a.item: draw(a.low, a.likely, a.high, draws, rng, shape) for a in used}
    avoided = x["share_avoided"]
    parts = {
        "downtime": avoided * x["failures_per_year"] * x["downtime_h_per_failure"] * x["downtime_per_h"],
        "repairs": avoided * x["failures_per_year"] * x["repair_per_failure"],
        "parts": avoided * x["parts_per_year"],
        "fluid": avoided * x["fluid_l_per_year"] * x["fluid_per_l"],
        "energy": avoided * x["efficiency_lost"] * x["energy_per_year"],
    }
    benefit = np.sum(list(parts.values()), axis=0) - x["running_per_year"]
    years = np.full(draws, np.inf)
    np.divide(x["first_cost"], benefit, out=years, where=benefit > 0)
    return Outcome(
        assumptions=tuple(used),
        benefit_per_year=_spread(benefit),
        payback_years=_spread(years),
        pays_within_5_years=float(np.mean(years <= 5)),
        pays=float(np.mean(benefit > 0)),
        parts={name: _spread(values) for name, values in parts.items()},
        drivers=_drivers(x, benefit),
        missing=tuple(missing),
        draws=draws,
        seed=seed,
        shape=shape,
    )


def _spread(values: Floats) -> Spread:
    # Percentiles of the sorted draws themselves: between a finite and an infinite one there is no middle.
    found = np.percentile(values, PERCENTILES, method="inverted_cdf")
    mean = float(values.mean()) if np.isfinite(values).all() else None
    low, middle, high = (float(v) if np.isfinite(v) else None for v in found)
    return Spread(mean, low, middle, high)


def _drivers(x: Mapping[str, Floats], benefit: Floats) -> dict[str, float]:
    """Rank correlation of the benefit with each assumption that varies, strongest first: what to find out."""
    found = {}
    target = _ranks(benefit)
    for name, values in x.items():
        if name != "first_cost" and np.ptp(values) > 0 and np.ptp(benefit) > 0:
            found[name] = float(np.corrcoef(_ranks(values), target)[0, 1])
    return dict(sorted(found.items(), key=lambda pair: -abs(pair[1])))


def _ranks(values: Floats) -> Floats:
    ranks = np.empty(len(values))
    ranks[np.argsort(values, kind="stable")] = np.arange(len(values))
    return ranks
