"""What clean-up limits hold on invented tanks, against what docs/cleanup.md states (`make cleanup-runs`).

Samples scatter in every way of `tests/judgement/processes.py`, and filters load. Nothing was tuned on seeds
from `processes.NEVER_TUNED` on.
"""

from __future__ import annotations

import math

import numpy as np
import processes
import scipy.integrate
import scipy.stats
from skidwright.cleanup import decay

VOLUME_ML = 30.0
STATED = 0.95
# Name: noise of samples, and the share by which the filter's rate falls from the first to the last sample.
TANKS = {name: (name, 0.0) for name in processes.NOISES} | {
    "filter loads by 10 %": ("normal", 0.1),
    "loads by 10 %, alike by 0.9": ("alike by 0.9", 0.1),
    "filter loads by 30 %": ("normal", 0.3),
}
# Beyond what is stated: shown, not promised.
NOT_STATED = ("filter loads by 30 %", "loads by 10 %, alike by 0.9", "alike by 0.97")


def tried(kind: str, runs: int, first: int) -> dict[str, tuple[int, int]]:
    """For ratio, floor and end: how many limits hold what is true, and of how many; and how many fitted
    values lie outside their own."""
    name, loading = TANKS[kind]
    held = {"ratio": [0, 0], "floor": [0, 0], "end": [0, 0], "outside": [0, 0]}
    for seed in range(first, first + runs):
        rng = np.random.default_rng(seed)
        turnover = rng.uniform(5, 40) / 60 / rng.uniform(200, 800)
        ratio = 10 ** rng.uniform(math.log10(1.5), math.log10(50))
        rate = turnover * (1 - 1 / ratio)
        start = 10 ** rng.uniform(2.3, 4)
        floor = start * 10 ** rng.uniform(-2, -0.8)
        n = int(rng.integers(40, 100))
        t = np.arange(n) * 4 / rate / n
        limit = floor + (start - floor) * rng.uniform(0.05, 0.15)
        at, level = _tank(rate, floor, start, loading, float(t[-1]))
        mean = np.interp(t, at, level)
        seen = mean * (1 + rng.uniform(0.005, 0.04) * processes.noise(rng, name, (n,))).clip(0.3)
        y = rng.poisson(seen * VOLUME_ML) / VOLUME_ML
        found = decay.fit(t, y, VOLUME_ML)
        if isinstance(found, decay.Decay):
            ours = found.ratio(turnover)
            for what, one, true in (("ratio", ours, ratio), ("floor", found.floor, floor)):
                held[what][0] += one.low <= true <= one.high
                held[what][1] += 1
            for one in (found.start, found.floor, found.rate_per_s, ours):
                held["outside"][0] += not one.low <= one.value <= one.high
                held["outside"][1] += 1
        true_s = float(at[np.argmax(level <= limit)])
        part = t <= true_s * rng.uniform(0.5, 0.9)
        if true_s > 0 and part.sum() >= decay.FEWEST:
            early = decay.fit(t[part], y[part], VOLUME_ML)
            if isinstance(early, decay.Decay):
                end = early.time_to(limit)
                held["end"][0] += end.low <= true_s <= end.high
                held["end"][1] += 1
    return {what: (one[0], one[1]) for what, one in held.items()}


def _tank(rate: float, floor: float, start: float, loading: float, end: float):  # type: ignore[no-untyped-def]
    """Times and levels of a tank whose filter loads evenly, by SciPy."""
    at = np.linspace(0, 2 * end, 4000)

    def change(x: float, level: float) -> float:
        return rate * (floor - (1 - loading * min(x / end, 1.0)) * level)

    return at, scipy.integrate.solve_ivp(change, (0, at[-1]), [start], t_eval=at, rtol=1e-6).y[0]


def report(runs: int, first: int = processes.NEVER_TUNED) -> list[str]:
    """A line for each kind of tank; "MISSED" stands where less holds than is stated, chance allowed for."""
    lines = [f"limits that hold what is true, of up to {runs} fits each, seeds from {first}; stated: 95 %"]
    for kind in TANKS:
        cells = []
        for what, (held, of) in tried(kind, runs, first).items():
            if what == "outside":
                word = "  MISSED" if held else ""
                cells.append(f"outside their own {held} of {of}{word}")
                continue
            missed = kind not in NOT_STATED and held < scipy.stats.binom.ppf(1e-3, of, STATED)
            cells.append(f"{what} {held / max(of, 1):.1%} of {of}{'  MISSED' if missed else ''}")
        lines.append(f"  {kind:32} {'   '.join(cells)}")
    return lines
