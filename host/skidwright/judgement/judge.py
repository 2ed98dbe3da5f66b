"""Everything said of one asset over time, brought together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from skidwright.judgement.events import Event
from skidwright.judgement.forecast import Forecast, forecast
from skidwright.judgement.hint import Hint
from skidwright.judgement.hints import hints
from skidwright.judgement.series import Series, particle_series, water_series
from skidwright.register.model import AssetRecord
from skidwright.samples.history import VALID, History


@dataclass(frozen=True)
class Judgement:
    """One asset judged. Forecasts stand in the order of the series: four particle sizes; water apart.

    `samples` and `valid` are numbers of samples, `since_valid` how many of the newest have no valid count,
    `usual_days` the usual time from one sample to the next.
    """

    asset: AssetRecord
    samples: int
    valid: int
    since_valid: int
    newest: np.datetime64
    usual_days: float
    particle_series: Series
    water_series: Series
    water_at_c: float
    forecasts: tuple[Forecast | None, ...]
    water_forecast: Forecast | None
    hints: tuple[Hint, ...]


def judge(
    history: History,
    asset: AssetRecord,
    happened: Sequence[Event] = (),
    limits_per_ml: ArrayLike = (np.nan,) * 4,
    water_limit_percent: float = np.nan,
) -> Judgement:
    """Judge an asset over time by its history; `happened` is what was done to it, in order.

    How it stands against its target and limit at a moment is for `skidwright.standing` to say, which hands
    in what the lines are asked to reach: particles per mL of the four sizes, and water at the coldest in
    percent; NaN for what nothing is asked of.
    """
    particles = particle_series(history)
    water, at_c = water_series(history, asset)
    dated = history.when[~np.isnat(history.when)]
    spacing = np.diff(dated[-60:]).astype(np.int64) / 86_400_000
    valid = history.counts_verdict == VALID
    since_valid = int(np.argmax(valid[::-1])) if valid.any() else len(history)
    return Judgement(
        asset=asset,
        samples=len(history),
        valid=int(valid.sum()),
        since_valid=since_valid,
        newest=dated[-1] if len(dated) else np.datetime64("NaT", "ms"),
        usual_days=float(np.median(spacing)) if len(spacing) else np.nan,
        particle_series=particles,
        water_series=water,
        water_at_c=at_c,
        forecasts=tuple(
            None if np.isnan(limit) else forecast(particles.trends[k], limit)
            for k, limit in enumerate(np.log2(np.asarray(limits_per_ml, np.float64)).tolist())
        ),
        water_forecast=(
            None
            if np.isnan(water_limit_percent) or not len(water.points)
            else forecast(water.trends[0], water_limit_percent)
        ),
        hints=tuple(hints(history, particles, water, happened, _has_cooler(asset))),
    )


def _has_cooler(asset: AssetRecord) -> bool:
    said = [asset.machine, asset.name, asset.notes, *(f"{c.type} {c.note}" for c in asset.components)]
    return any("cooler" in text.lower() or "heat exchanger" in text.lower() for text in said)
