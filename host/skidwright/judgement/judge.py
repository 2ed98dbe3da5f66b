"""Everything said of one asset over time, brought together."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from skidwright.judgement.events import Event
from skidwright.judgement.forecast import Forecast, forecast
from skidwright.judgement.hint import Hint
from skidwright.judgement.hints import hints
from skidwright.judgement.series import Series, particle_series, water_series
from skidwright.register.model import AssetRecord
from skidwright.samples.history import VALID, History
from skidwright.trade.iso4406 import HIGHEST, UPPER_PER_ML


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


def judge(history: History, asset: AssetRecord, happened: Sequence[Event] = ()) -> Judgement:
    """Judge an asset over time by its history; `happened` is what was done to it, in order.

    How it stands against its target and limit at a moment is for `skidwright.standing` to say.
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
        forecasts=tuple(_of_channel(particles, asset, k) for k in range(4)),
        water_forecast=_of_water(water, asset),
        hints=tuple(hints(history, particles, water, happened, _has_cooler(asset))),
    )


def limit_log2(target: int | None) -> float:
    """A target scale number as the logarithm to base 2 of the most particles per mL; NaN without one."""
    if target is None or target >= HIGHEST:
        return np.nan
    return float(np.log2(UPPER_PER_ML[target]))


def water_limit(asset: AssetRecord) -> float:
    """The limit of saturation in percent that water at the reference temperature must not pass; NaN for
    none."""
    if asset.water_limit_percent is None:
        return 100.0 if asset.coldest_c is not None else np.nan
    return float(asset.water_limit_percent)


def _of_channel(particles: Series, asset: AssetRecord, k: int) -> Forecast | None:
    limit = limit_log2(asset.targets[k])
    return None if np.isnan(limit) else forecast(particles.trends[k], limit)


def _of_water(water: Series, asset: AssetRecord) -> Forecast | None:
    limit = water_limit(asset)
    return None if np.isnan(limit) or not len(water.points) else forecast(water.trends[0], limit)


def _has_cooler(asset: AssetRecord) -> bool:
    said = [asset.machine, asset.name, asset.notes, *(f"{c.type} {c.note}" for c in asset.components)]
    return any("cooler" in text.lower() or "heat exchanger" in text.lower() for text in said)
