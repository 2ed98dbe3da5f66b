"""The fitted decay against SciPy on the same samples, and its intervals against what made the samples."""

from __future__ import annotations

import math

import numpy as np
import processes
import pytest
import scipy.integrate
import scipy.optimize
import scipy.stats
from skidwright.cleanup import decay

VOLUME_ML = 30.0
RUNS = 80
# Seeds that nothing was tuned on.
NEVER_TUNED = 1_000_000


def enough(runs: int) -> float:
    """So few of `runs` intervals of 95 % hold by chance in one case of a thousand."""
    return float(scipy.stats.binom.ppf(1e-3, runs, 0.95))


def samples(rng, start, floor, rate, n, step_s, scatter, volume_ml=VOLUME_ML):
    """Counts by chance of a single tank, each with a relative scatter of its own beside Poisson's."""
    t = np.arange(n) * step_s + rng.uniform(0, 0.2, n) * step_s
    mean = floor + (start - floor) * np.exp(-rate * t)
    return t, rng.poisson(mean * volume_ml * rng.normal(1, scatter, n).clip(0.5)) / volume_ml


@pytest.mark.parametrize("seed", range(12))
def test_the_fit_is_that_of_scipy(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """curve_fit with the same weights: same least squares; profile and covariance agree where near-linear.

    Without what is added for samples that are alike and a filter that loads.
    """
    monkeypatch.setattr(decay, "LOADING", 0.0)
    monkeypatch.setattr(decay, "wider", lambda *_: 1.0)
    rng = np.random.default_rng(seed)
    start, floor, rate = 9000.0, rng.uniform(50, 400), rng.uniform(3e-4, 6e-4)
    t, y = samples(rng, start, floor, rate, 80, 150, 0.02)
    found = decay.fit(t, y, VOLUME_ML)
    assert isinstance(found, decay.Decay)
    sigma = found.sums.weights**-0.5

    def model(x, a, b, k):
        return b + (a - b) * np.exp(-k * (x - t[0]))

    best, covariance = scipy.optimize.curve_fit(
        model, t, y, p0=(start, floor, rate), sigma=sigma, absolute_sigma=True
    )
    theirs = (((y - model(t, *best)) / sigma) ** 2).sum()
    ours = (((y - found.at(t - t[0])) / sigma) ** 2).sum()
    assert ours == pytest.approx(theirs, rel=1e-5)
    sd = np.sqrt(np.diag(covariance))
    values = (found.start.value, found.floor.value, found.rate_per_s.value)
    assert np.all(np.abs(np.array(values) - best) < 0.02 * sd)
    quantile = scipy.stats.t.ppf(0.975, 77)
    for interval, deviation in ((found.floor, sd[1]), (found.rate_per_s, sd[2])):
        assert (interval.high - interval.low) == pytest.approx(2 * quantile * deviation, rel=0.1)


@pytest.mark.parametrize("seed", range(4))
def test_the_weights_are_those_of_maximum_likelihood(seed: int) -> None:
    """Without scatter the fit is Poisson regression: SciPy minimises that likelihood."""
    rng = np.random.default_rng(100 + seed)
    t, y = samples(rng, 300.0, 6.0, 5e-4, 60, 150, 0.0, volume_ml=3.0)
    found = decay.fit(t, y, 3.0)
    assert isinstance(found, decay.Decay) and found.scatter < 0.1

    def cost(p):
        mean = (p[1] + (p[0] - p[1]) * np.exp(-np.exp(p[2]) * (t - t[0]))) * 3.0
        return float((mean - y * 3.0 * np.log(np.maximum(mean, 1e-9))).sum())

    best = scipy.optimize.minimize(
        cost, (300.0, 6.0, math.log(5e-4)), method="Nelder-Mead", options={"xatol": 1e-6, "fatol": 1e-8}
    ).x
    half = (found.rate_per_s.high - found.rate_per_s.low) / 4
    # weights by the fitted level are the score equations of Poisson; the found scatter shifts them a little
    assert abs(found.rate_per_s.value - math.exp(best[2])) < 0.3 * half
    assert abs(found.floor.value - best[1]) < 0.3 * (found.floor.high - found.floor.low) / 4


def drawn(rng):
    """A tank, a filter and an ingress by chance: turnover, ratio, floor, rate, start."""
    turnover = rng.uniform(5, 40) / 60 / rng.uniform(200, 800)
    ratio = 10 ** rng.uniform(math.log10(1.5), math.log10(50))
    rate = turnover * (1 - 1 / ratio)
    start = 10 ** rng.uniform(2.3, 4)
    return turnover, ratio, start * 10 ** rng.uniform(-2, -0.8), rate, start


def test_ratio_and_floor_lie_within_their_intervals() -> None:
    rng = np.random.default_rng(7)
    held = {"filtration ratio": 0, "floor": 0, "rate": 0}
    for _ in range(RUNS):
        turnover, ratio, floor, rate, start = drawn(rng)
        n = int(rng.integers(40, 100))
        t, y = samples(rng, start, floor, rate, n, 4 / rate / n, rng.uniform(0.005, 0.04))
        found = decay.fit(t, y, VOLUME_ML)
        assert isinstance(found, decay.Decay), found
        for name, interval, true in (
            ("filtration ratio", found.ratio(turnover), ratio),
            ("floor", found.floor, floor),
            ("rate", found.rate_per_s, rate),
        ):
            held[name] += interval.low <= true <= interval.high
    for name, count in held.items():
        print(
            f"figure: clean-up: the 95 % interval of the {name} holds the true one in {count} of {RUNS} runs"
        )
        assert count >= enough(RUNS)


def test_the_predicted_end_holds_the_true_end() -> None:
    """Predicted from what there is after half to nine tenths of the way, to a target above the floor."""
    rng = np.random.default_rng(8)
    held = refused = 0
    early = []
    for _ in range(RUNS):
        _, _, floor, rate, start = drawn(rng)
        limit = floor + (start - floor) * rng.uniform(0.02, 0.15)
        true_s = math.log((start - floor) / (limit - floor)) / rate
        share = rng.uniform(0.5, 0.9)
        n = int(rng.integers(20, 60))
        t, y = samples(rng, start, floor, rate, n, share * true_s / n, rng.uniform(0.005, 0.04))
        found = decay.fit(t, y, VOLUME_ML)
        if isinstance(found, decay.NoFit):
            refused += 1
            continue
        end = found.time_to(limit)
        held += end.low <= true_s - t[0] <= end.high
        early.append((end.value - true_s) / true_s)
    fitted = RUNS - refused
    print(
        f"figure: clean-up: the 95 % interval of the end holds the true end in {held} of {fitted} runs "
        f"({refused} refused); median error {np.median(early):+.1%}, quartiles "
        f"{np.quantile(early, 0.25):+.1%} and {np.quantile(early, 0.75):+.1%}"
    )
    assert refused < 0.1 * RUNS
    assert held >= enough(fitted)


@pytest.mark.parametrize("name", ["alike by 0.5", "alike by 0.9", "heavy tails (t3)", "5 % odd samples"])
def test_intervals_hold_on_a_plant_floor(name: str) -> None:
    """Samples alike from one to the next, with heavy tails, with odd ones: 25 runs of each."""
    rng = np.random.default_rng(NEVER_TUNED)
    held = fitted = 0
    for _ in range(25):
        turnover, ratio, floor, rate, start = drawn(rng)
        t = np.arange(60) * 4 / rate / 60
        mean = floor + (start - floor) * np.exp(-rate * t)
        seen = mean * (1 + 0.02 * processes.noise(rng, name, (60,))).clip(0.3)
        found = decay.fit(t, rng.poisson(seen * VOLUME_ML) / VOLUME_ML, VOLUME_ML)
        if isinstance(found, decay.NoFit):
            continue
        fitted += 1
        ours = found.ratio(turnover)
        held += (ours.low <= ratio <= ours.high) and (found.floor.low <= floor <= found.floor.high)
        for one in (found.start, found.floor, found.rate_per_s, ours):
            assert one.low <= one.value <= one.high
    print(f"figure: clean-up, {name}: ratio and floor both within their limits in {held} of {fitted} runs")
    assert fitted >= 20
    # two statements at once
    assert held >= scipy.stats.binom.ppf(1e-3, fitted, 0.9)


def test_intervals_hold_while_the_filter_loads() -> None:
    """Its rate falls by a tenth from the first to the last sample: SciPy integrates the tank."""
    rng = np.random.default_rng(NEVER_TUNED + 1)
    held = 0
    for _ in range(20):
        turnover, ratio, floor, rate, start = drawn(rng)
        t = np.arange(60) * 4 / rate / 60

        def tank(x, n, rate=rate, floor=floor, end=t[-1]):
            return rate * (floor - (1 - 0.1 * x / end) * n)

        mean = scipy.integrate.solve_ivp(tank, (0, t[-1]), [start], t_eval=t, rtol=1e-6).y[0]
        seen = rng.poisson(mean * VOLUME_ML * rng.normal(1, 0.02, 60)) / VOLUME_ML
        found = decay.fit(t, seen, VOLUME_ML)
        assert isinstance(found, decay.Decay)
        ours = found.ratio(turnover)
        held += (ours.low <= ratio <= ours.high) and (found.floor.low <= floor <= found.floor.high)
    print(f"figure: clean-up, a filter that loads: both within their limits in {held} of 20 runs")
    assert held >= scipy.stats.binom.ppf(1e-3, 20, 0.9)


def test_a_floor_above_the_target_is_never_reached() -> None:
    rng = np.random.default_rng(9)
    t, y = samples(rng, 9000, 900, 5e-4, 80, 150, 0.02)
    found = decay.fit(t, y, VOLUME_ML)
    assert isinstance(found, decay.Decay) and found.floor.low > 640
    assert found.time_to(640) == (math.inf, math.inf, math.inf)
    near = found.time_to(found.floor.value * 1.001)
    assert near.high == math.inf and near.low < near.value
    assert found.time_to(20000).value == 0


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("few", "5 valid samples so far; 6 are needed"),
        ("flat", "does not fall by more than it scatters"),
        ("line", "fallen too little as yet"),
        ("step", "it fell between two samples"),
        ("wild", "something else goes on as well"),
    ],
)
def test_what_carries_no_decay_is_refused(case: str, words: str) -> None:
    rng = np.random.default_rng(2)
    rate, n, scatter, floor = 5e-4, 40, 0.02, 100.0
    if case == "few":
        n = 5
    elif case == "flat":
        rate = 0.0
    elif case == "line":
        # down by less than a hundredth, yet beyond doubt
        rate, scatter, floor = 1.7e-6, 0.0, 0.0
    elif case == "step":
        rate = 0.1
    else:
        scatter = 0.5
    t, y = samples(rng, 5000, floor, rate, n, 150, scatter)
    found = decay.fit(t, y, VOLUME_ML)
    assert isinstance(found, decay.NoFit) and words in found.why
    if case == "flat":
        assert found.level is not None and abs(found.level.value - 5000) < 3 * 100 / math.sqrt(n)


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ValueError, match="times that rise"):
        decay.fit([0, 1, 1, 2, 3, 4, 5], [1] * 7)
    with pytest.raises(ValueError, match="volume"):
        decay.fit(range(7), [1] * 7, 0)
    found = decay.fit(np.arange(60) * 150.0, 100 + 5000 * np.exp(-5e-4 * 150 * np.arange(60)), VOLUME_ML)
    assert isinstance(found, decay.Decay)
    with pytest.raises(ValueError, match="turnover"):
        found.ratio(0)
    # faster than all of the tank through a perfect filter
    assert found.ratio(4e-4).value == math.inf
    assert found.tau_s.value == pytest.approx(2000, rel=1e-3)


def test_water_has_a_scatter_of_its_own() -> None:
    """Saturation: the same decay, weights all alike; the interval of the floor in 80 runs."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(RUNS):
        t = np.arange(60) * 240.0
        true = 12 + 50 * np.exp(-t / 5400)
        found = decay.fit(t, true + rng.normal(0, 0.3, 60))
        assert isinstance(found, decay.Decay)
        held += found.floor.low <= 12 <= found.floor.high
    print(f"figure: clean-up: the 95 % interval of a dryer's floor holds the true one in {held} of {RUNS}")
    assert held >= enough(RUNS)
