"""How a rise is worded while it goes on, and how often a clean machine is said to rise.

`python tests/standing/rises.py --rises 200 --years 200`. Random rises of particles or water, half-hourly to
daily, straight, bent or in steps, with noise of several kinds: at each sample the word of the whole
standing is taken, and it must not become milder while the rise lasts. Clean years give the false alarms of
the plain rule. The machines are made here and not by what the code was tuned on (seeds from 70000 on).
"""

import argparse
import dataclasses
import sys
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).parents[1] / "judgement"))

from machine_years import START, years
from skidwright.config import Config
from skidwright.judgement.points import MS_PER_DAY
from skidwright.register.model import AssetRecord
from skidwright.samples import history
from skidwright.samples.cold_water import at_coldest
from skidwright.standing import rising, standing
from skidwright.standing.goals import LOOK, goals_of

FIRST_SEED = 70_000
ASSET = AssetRecord(1, "machine", target=(20, 18, 15), water_limit_percent=60.0)
RULE = ("rose past limit", "rises towards limit", "rises fast")
SPACINGS_H = (0.5, 1.0, 6.0, 24.0)


@dataclasses.dataclass(frozen=True)
class Risen:
    """A machine that rises from sample `first` on; `of` is what rises."""

    of: str
    made: history.History
    first: int
    every_h: float
    heavy: bool


def risen(seed: int) -> Risen:
    """A calm stretch, then a rise past the limit that lasts to the end."""
    rng = np.random.default_rng(seed)
    every_h = float(rng.choice(SPACINGS_H))
    calm, going = int(rng.integers(5, 60)), int(rng.integers(6, 40))
    n = calm + going
    part = np.clip((np.arange(n) - calm + 1) / going, 0, 1)
    part = part ** rng.choice((0.7, 1.0, 1.5))
    if rng.random() < 0.25:
        part = np.ceil(part * 4) / 4
    heavy = rng.random() < 0.3
    noise = rng.standard_t(3, n) if heavy else rng.standard_normal(n)
    times = START + (np.arange(n) * every_h * 3_600_000).astype("timedelta64[ms]")
    kind = str(rng.choice(("water", "particles")))
    water, levels = np.full(n, 30.0), np.zeros((n, 1))
    if kind == "water":
        start = rng.uniform(15, 45)
        water = start + (rng.uniform(62, 90) - start) * part + rng.uniform(0.1, 1.0) * noise
    else:
        levels = (rng.uniform(3.0, 5.0) * part + rng.uniform(0.05, 0.2) * noise)[:, None]
    mean = np.exp2(levels) * np.array((1800.0, 420.0, 38.0, 7.0)) * 30
    classes = np.maximum(mean - np.c_[mean[:, 1:], np.zeros(n)], 0)
    counts = np.cumsum(rng.poisson(classes)[:, ::-1], axis=1)[:, ::-1]
    made = history.of_arrays(
        times, counts, 30.0, water_percent=np.clip(water, 0, 100), temperature_c=np.full(n, 45.0)
    )
    return Risen(kind, made, calm, every_h, bool(heavy))


def words_of(one: Risen) -> list[tuple[int, bool]]:
    """At each sample from the rise's first on: the standing's level, and whether the plain rule speaks."""
    found = []
    for last in range(one.first, len(one.made)):
        now = one.made.when[last]
        there = standing.stand(one.made.until(now), ASSET, goals_of(ASSET, Config()), now)
        found.append((there.level, any(reason.kind in RULE for reason in there.reasons)))
    return found


def became_milder(found: list[tuple[int, bool]]) -> bool:
    """Whether the word became milder after the plain rule had begun to speak."""
    begun = next((i for i, (_, speaks) in enumerate(found) if speaks), len(found))
    levels = [level for level, _ in found[begun:]]
    return any(b < a for a, b in pairwise(levels))


def signs(
    made: history.History, asset: AssetRecord = ASSET
) -> Iterator[tuple[NDArray[np.float64], list[bool]]]:
    """Of each quantity and span: the days of its readings (since 1970), and whether the plain rule spoke."""
    days = made.utc_ms / MS_PER_DAY
    half = 0.5 / made.volume_ml
    levels, errors = np.log2(made.per_ml + half[:, None]), 1 / np.log(2) / np.sqrt(made.counts + 0.5)
    limits = np.log2(goals_of(asset, Config()).limits_per_ml).tolist()
    series = [(levels[:, k], errors[:, k], limits[k], rising.LEAST_NUMBERS) for k in range(4)]
    none, asked = np.zeros(len(days)), asset.water_limit_percent
    series.append((made.water_percent, none, asked, rising.LEAST_PERCENT))
    if asset.coldest_c is not None:
        cold = at_coldest(made.water_percent, made.temperature_c, asset.coldest_c, None).low_percent
        series += [(cold, none, limit, rising.LEAST_PERCENT) for limit in (asked, 100.0)]
    for values, error, limit, least in series:
        for span in (0.0, 0.25, 1.0):
            at, v, e = days, values, error
            if span:
                place = np.floor(days / span)
                starts = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
                ends = np.r_[starts[1:], len(days)]
                at, v = (
                    days[ends - 1],
                    np.array([np.median(v[a:b]) for a, b in zip(starts, ends, strict=True)]),
                )
                e = e[starts] / np.sqrt(ends - starts)
            speaks = [bool(stage or fast) for _, stage, fast in rising.stages(at, v, e, limit, least)]
            yield at[-len(speaks) :], speaks


def alarms_of(made: history.History, asset: AssetRecord = ASSET) -> int:
    """How often the plain rule begins to speak of any quantity in a history, looked at after each sample."""
    return sum(
        b and not a
        for _, speaks in signs(made, asset)
        for a, b in zip([False, *speaks], speaks, strict=False)
    )


def delays(runs: int) -> None:
    """Days until the plain rule speaks, on the machines of `trends.py`, by how far off the target is."""
    from trends import NEVER, RISES

    for name, (rise, begins) in RISES.items():
        for above, target in ((1, (19, 17, 14)), (2, (20, 18, 15))):
            asset, first = dataclasses.replace(ASSET, target=target), []
            for seed in range(10_000, 10_000 + runs):
                made = years(np.random.default_rng(seed), every_h=1, rise=rise, wander=0.1)
                day0 = START.astype(np.int64) / MS_PER_DAY + begins
                spoke = [at[np.array(said)] - day0 for at, said in signs(made, asset)]
                first.append(min((float(d[d >= 0][0]) for d in spoke if (d >= 0).any()), default=NEVER))
            low, middle, high = np.sort(first)[[0, runs // 2, -1]]
            print(f"  {name}, target {above} up: {low:.1f}, {middle:.1f}, {high:.1f}", flush=True)


def strays(made: history.History, rng: np.random.Generator, share: float) -> history.History:
    """The same with a share of its samples one to three codes high."""
    high = np.where(rng.random(len(made)) < share, rng.uniform(1, 3, len(made)), 0.0)
    counts = (made.counts * np.exp2(high)[:, None]).astype(np.int64)
    return history.of_arrays(made.when, counts, made.volume_ml, water_percent=made.water_percent,
                             temperature_c=made.temperature_c)  # fmt: skip


CLEAN = {
    "one sample a day": ({"every_h": 24}, 0.0),
    "hourly": ({"every_h": 1, "wander": 0.1}, 0.0),
    "hourly, days alike by 0.9": ({"every_h": 1, "wander": 0.1, "alike": 0.9}, 0.0),
    "a day each, alike by 0.9, wandering by 23 %": ({"every_h": 24, "wander": 0.3, "alike": 0.9}, 0.0),
    "one sample a day, scatter 0.3": ({"every_h": 24, "scatter": 0.3}, 0.0),
    "hourly, 5 % of samples one to three codes high": ({"every_h": 1, "wander": 0.1}, 0.05),
    "one a day, 5 % of samples one to three codes high": ({"every_h": 24}, 0.05),
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--rises", type=int, default=200)
    parser.add_argument("--years", type=int, default=200)
    parser.add_argument("--delays", type=int, default=0, help="only how late it speaks, so many years each")
    given = parser.parse_args()
    if given.delays:
        delays(given.delays)
        return 0
    milder, before, late, first = 0, 0, 0, []
    for seed in range(FIRST_SEED, FIRST_SEED + given.rises):
        found = words_of(risen(seed))
        levels = [level for level, _ in found]
        milder += became_milder(found)
        before += any(b < a for a, b in pairwise(levels)) and not became_milder(found)
        said = next((i for i, level in enumerate(levels) if level >= LOOK), None)
        late += said is None
        if said is not None:
            first.append((said + 1) / len(levels))
    ranked = np.percentile(first, (10, 50, 90))
    print(
        f"{given.rises} rises: once the plain rule spoke the word became milder in {milder}; before that in "
        f"{before}; never 'look soon' in {late}; first said after {ranked[0]:.0%}, {ranked[1]:.0%}, "
        f"{ranked[2]:.0%} of the rise"
    )
    for name, (how, share) in CLEAN.items():
        told = 0
        for seed in range(FIRST_SEED, FIRST_SEED + given.years):
            rng = np.random.default_rng(seed)
            made = years(rng, **how)
            told += alarms_of(strays(made, rng, share) if share else made)
        print(f"  clean, {name}: {told / given.years:.3f} a year", flush=True)
    return int(milder > 0 or late > 0 or not first)


if __name__ == "__main__":
    sys.exit(main())
