"""A made-up asset with as many samples as wanted, whose true state the tests know."""

import dataclasses
import datetime
from collections.abc import Callable

import numpy as np
import pytest
from skidwright.config import Config, Counter
from skidwright.register.model import AssetRecord
from skidwright.report import model
from skidwright.samples import history
from skidwright.standing import standing
from skidwright.standing.goals import goals_of

Maker = Callable[..., model.AssetReport]
NOW = np.datetime64("2026-03-03T00:00:00", "ms")


def make_asset(
    n: int = 60,
    per_ml: tuple[float, float, float, float] = (1800.0, 420.0, 48.0, 12.0),
    minutes: float = 15,
    water: float = 25.0,
    target: tuple[int, int, int] | None = (18, 16, 13),
    water_limit: float | None = 50.0,
    seed: int = 1,
) -> model.AssetReport:
    """An asset sampled `n` times without any fault: Poisson counts in 30 mL around `per_ml`, all valid."""
    rng = np.random.default_rng(seed)
    volume = 30.0
    counts = rng.poisson(np.array(per_ml) * volume, (n, 4)).astype(np.uint32)
    flow = 50 + rng.normal(0, 0.4, (n, 3)) + np.array([-2, 0, 2])
    when = np.datetime64("2026-03-02T06:00:00", "ms") + (np.arange(n) * minutes * 60000).astype(
        "timedelta64[ms]"
    )
    samples = dataclasses.replace(
        history.of_arrays(
            when,
            counts,
            volume,
            water_percent=water + rng.normal(0, 0.3, n),
            temperature_c=40.0,
            asset=2,
        ),
        flow_ml_min=flow,
    )
    integrity = model.Integrity(
        "e66164084373532b",
        "log 1a2b3c4d",
        n + 3,
        0,
        0,
        0,
        0,
        True,
        "unbroken",
        "known to 1 s",
        1.0,
        "ab" * 32,
    )
    asset = AssetRecord(
        2, "Thruster gearbox", "port", "ISO VG 100", target=target, water_limit_percent=water_limit
    )
    day = datetime.date(2028, 1, 1)
    data = model.AssetReport(
        asset,
        Counter("a counter", (40.0, 60.0)),
        (40.0, 60.0),
        samples,
        standing.never_sampled(asset, goals_of(asset, Config()), NOW),
        integrity,
        calibration_due=day,
        meter_due=day,
        loops_due=day,
    )
    return stood(data)


def stood(data: model.AssetReport, hidden: tuple[str, ...] = (), happened=()) -> model.AssetReport:
    """The same asset, judged anew by all that it now says."""
    if not len(data.samples):
        return data
    integrity = data.integrity
    complete = integrity.chain_ok and not integrity.bad_records and not integrity.missing_records
    dues = {
        "counter": data.calibration_due, "flow meter": data.meter_due, "current loops": data.loops_due,
    }  # fmt: skip
    found = standing.stand(
        data.samples, data.asset, goals_of(data.asset, Config()), NOW, happened, dues, hidden, complete
    )
    return dataclasses.replace(data, standing=found)


def changed(data: model.AssetReport, **arrays: object) -> model.AssetReport:
    """The same asset with other sample arrays, judged anew."""
    return stood(dataclasses.replace(data, samples=dataclasses.replace(data.samples, **arrays)))


@pytest.fixture
def make() -> Maker:
    """`make_asset`, see there."""
    return make_asset


@pytest.fixture
def change() -> Maker:
    """`changed`, see there."""
    return changed


@pytest.fixture
def judge_again() -> Maker:
    """`stood`, see there."""
    return stood
