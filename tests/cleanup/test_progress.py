"""What a run comes to, in words and figures: on target, on its way, never, and what cannot be told."""

from __future__ import annotations

import math

import numpy as np
import pytest
from skidwright.cleanup import progress
from skidwright.formulas.water import PUBLISHED, content_ppm

TURNOVER = 15 / 60 / 400  # per second
RATIO = 2.5
RATE = TURNOVER * (1 - 1 / RATIO)


def made(floor=90.0, n=60, step_s=150.0, water=None, **more):
    """Samples of a 400 L tank at 15 L/min from 9000 per mL >=4 um(c), by chance."""
    rng = np.random.default_rng(5)
    t = 60 + np.arange(n) * step_s
    mean = floor + (9000 - floor) * np.exp(-RATE * t)
    per_ml = np.c_[mean, mean * 0.2, mean * 0.02] * rng.normal(1, 0.01, (n, 3))
    per_ml = rng.poisson(per_ml * 30) / 30
    return progress.of_arrays(t, per_ml, 30.0, np.ones(n, bool), water, np.ones(n, bool), **more)


def judge(samples, targets=(16, None, None), water=None, **more):
    return progress.judge(samples, targets, water, **more)


def test_on_its_way_with_ratio_and_ingress() -> None:
    found = judge(made(n=30), tank_l=400, flow_l_min=15)
    (fine,) = found.quantities
    assert found.state == fine.state == progress.ON_ITS_WAY and "it goes to" in fine.words
    assert fine.ratio.low < RATIO < fine.ratio.high
    true_s = math.log((9000 - 90) / (640 - 90)) / RATE
    assert found.end.low < true_s < found.end.high
    # what comes in balances what is taken out at the floor: floor x rate x tank
    true_ingress = 90 * RATE * 60 * 400_000
    assert fine.ingress_per_min.low < true_ingress < fine.ingress_per_min.high
    assert judge(made(n=30)).quantities[0].ratio is None


def test_never_and_perhaps() -> None:
    found = judge(made(floor=900.0))
    (fine,) = found.quantities
    assert found.state == progress.NEVER and math.isinf(found.end.value)
    assert "it will never get there" in fine.words and "by the filter" in fine.words
    near = judge(made(floor=640.0, n=40))
    assert near.state in (progress.PERHAPS, progress.ON_ITS_WAY) and math.isinf(near.end.high)


def test_on_target_and_the_slowest_counts() -> None:
    found = judge(made(), (16, 14, 11))
    states = [q.state for q in found.quantities]
    assert states[0] == progress.THERE and found.quantities[0].words == "at or below 640 per mL"
    # 20 per mL >=14 um(c) is 0.02 of 1000, later than 640
    assert found.state in states
    both = judge(made(n=30), (16, 14, None))
    assert both.end.value == max(q.end.value for q in both.quantities)


def test_what_stands_still_above_its_target() -> None:
    rng = np.random.default_rng(6)
    t = np.arange(40) * 150.0
    per_ml = rng.poisson(np.full((40, 3), [3000.0, 600.0, 60.0]) * 30) / 30
    found = judge(progress.of_arrays(t, per_ml, 30.0, np.ones(40, bool)))
    assert found.state == progress.NEVER and "stands still at" in found.quantities[0].words


def test_only_valid_samples_are_used() -> None:
    samples = made(n=40)
    spoilt = samples.per_ml.copy()
    spoilt[10:14] *= 5
    valid = samples.valid.copy()
    valid[10:14] = False
    plain = judge(progress.of_arrays(samples.time_s, spoilt, 30.0, valid))
    assert plain.quantities[0].found.n == 36 and plain.quantities[0].found.scatter < 0.03
    few = judge(progress.of_arrays(samples.time_s, spoilt, 30.0, np.arange(40) < 4))
    assert few.state == progress.UNKNOWN and few.end is None and "4 valid samples" in few.quantities[0].words


def test_water_by_content_or_by_saturation_while_warm() -> None:
    t = 60 + np.arange(60) * 150.0
    oil = PUBLISHED["mineral-7.09"]
    warm = np.linspace(30, 48, 60)
    content = 10 + 45 * np.exp(-t / 4000)
    rng = np.random.default_rng(7)
    saturation = 100 * content / content_ppm(100, warm, oil) + rng.normal(0, 0.1, 60)
    samples = made(water=saturation, temperature_c=warm)
    refused = judge(samples, (None, None, None), 30.0)
    assert refused.quantities[0].state != progress.NEVER
    assert "temperature changed by 18 K" in judge(samples, (None, None, None), 5.0).quantities[0].words
    by_content = judge(samples, (None, None, None), 5.0, solubility=oil).quantities[0]
    floor = by_content.found.floor
    assert by_content.unit == "ppm" and abs(floor.value - 10) < floor.high - floor.low
    steady = made(water=12 + 50 * np.exp(-t / 4000) + rng.normal(0, 0.1, 60), temperature_c=np.full(60, 40.0))
    dry = judge(steady, (None, None, None), 9.0).quantities[0]
    assert dry.state == progress.NEVER and "the dryer is spent" in dry.words


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ValueError, match="target"):
        judge(made(), (None, None, None))
    with pytest.raises(ValueError, match="tank"):
        judge(made(), tank_l=0)
    assert progress.number(math.inf) == "?" and progress.number(1234567) == "1230000"
