"""How single valid samples of one machine scatter, beyond what counting explains.

What counting leaves open is known from the counts, and the error of the counted volume is common to
neighbouring samples; what is left is found from differences between samples 1 to 5 apart, so that the level
itself may step or drift. Differences are held within three robust standard deviations: a step or an odd
sample among many counts for little. A machine that has few samples so far borrows what this project takes
for usual; the more samples, the more its own scatter counts (a scaled inverse chi-square prior: A. Gelman
et al., Bayesian Data Analysis, 2.6, from memory), and the fewer degrees of freedom stay open.

What moves more slowly than over five samples is the level moving, and no scatter.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.config import Asset
from skidwright.judgement.noise import LAGS, MAD_TO_SD, Noise, held_variance
from skidwright.register.model import AssetRecord
from skidwright.samples.cold_water import carried, fluids
from skidwright.samples.history import VALID, History

# Usual scatter of one sample (this project's judgement): scale numbers of four sizes; for water a share of
# the reading, since water and its error are carried to another temperature by one factor.
USUAL_SCALE_NUMBERS = 0.15
USUAL_WATER_SHARE = 0.02
LEAST_WATER_PERCENT = 0.1
# Degrees of freedom of the usual scatter: so few that Student's factor covers machines that scatter by
# twice as much (tests/judgement/test_scatter.py).
USUAL_FREEDOM = 1.0
# More samples cost and say no more.
_NEWEST = 1000
_LAGS = LAGS[:4]
# Held values tell less than free ones, of few above all.
_HELD_FREEDOM = 0.6
_LOG2_E = 1 / np.log(2)


@dataclass(frozen=True)
class Scatter:
    """Scatter of a single sample beyond counting, one of five each: >=4, >=6, >=14, >=21 um(c), water.

    `sd`: standard deviation in scale numbers (log2), of water in percent of saturation at `water_at_c`.
    `freedom`: the degrees of freedom with which it is known (use Student's distribution). `alike`:
    correlation from one sample to the next, 0 to 1, `alike_error` its standard error. `samples`: from how
    many, 0 for the usual scatter alone.
    """

    sd: Floats
    freedom: Floats
    alike: Floats
    alike_error: Floats
    samples: NDArray[np.int64]
    water_at_c: float

    def variance_of_mean(self, samples: int) -> Floats:
        """Variance of the mean of so many neighbouring samples, (5,): alike ones say less."""
        noise = Noise(self.sd, np.ones(len(self.sd)), self.alike)
        return np.asarray(self.sd**2 * noise.of_mean(samples))


def between_samples(history: History, asset: Asset | AssetRecord | None = None) -> Scatter:
    """The scatter of the asset's samples. Water is carried to its coldest temperature, as its series is.

    Without a known coldest temperature it is carried to the usual one of the newest readings, whole degrees.
    """
    rows = _newest(history, (history.counts_verdict == VALID) & np.isfinite(history.per_ml[:, 0]))
    counts = history.counts[rows].astype(np.float64)
    half = 0.5 / np.maximum(history.volume_ml[rows], 1e-3)
    levels = np.log2(history.per_ml[rows] + half[:, None])
    by_counting = _LOG2_E**2 / (counts + 0.5)
    found = [
        _of(levels[:, k], by_counting[:, k], USUAL_SCALE_NUMBERS) for k in range(history.counts.shape[1])
    ]
    water, at_c = _water(history, asset)
    usual = max(USUAL_WATER_SHARE * float(np.median(water[-3:])), LEAST_WATER_PERCENT) if len(water) else 1.0
    found.append(_of(water, np.zeros(len(water)), usual))
    sd, freedom, alike, error, samples = (np.array(column) for column in zip(*found, strict=True))
    return Scatter(sd, freedom, alike, error, samples.astype(np.int64), at_c)


def _newest(history: History, good: NDArray[np.bool_]) -> NDArray[np.intp]:
    return np.flatnonzero(good)[-_NEWEST:]


def _water(history: History, asset: Asset | AssetRecord | None) -> tuple[Floats, float]:
    """Valid readings at one temperature, oldest first, and that temperature; NaN where none is known."""
    good = (history.water_verdict == VALID) & np.isfinite(history.water_percent)
    rows = _newest(history, good & np.isfinite(history.temperature_c))
    if not len(rows):
        rows = _newest(history, good)
        return history.water_percent[rows], np.nan
    at_c = None if asset is None else asset.coldest_c
    if at_c is None:
        at_c = round(float(np.median(history.temperature_c[rows[-200:]])), 0)
    fluid = fluids(None if asset is None else asset.solubility)[0]
    return carried(history.water_percent[rows], history.temperature_c[rows], at_c, fluid), float(at_c)


def _of(values: Floats, known: Floats, usual: float) -> tuple[float, float, float, float, int]:
    """Standard deviation, degrees of freedom, likeness with its error, and samples of one series (n,).

    `known` (n,) are variances that have another cause, `usual` the standard deviation to begin with.
    """
    n = len(values)
    start = usual**2
    if n < 2:
        return usual, USUAL_FREEDOM, 0.0, 1.0, n
    lags = [lag for lag in _LAGS if lag == 1 or n >= 8 * lag]
    variances = np.array([_half_variance(values, known, lag, start) for lag in lags])
    own = float(variances.max())
    # that of successive differences: J. von Neumann et al., Annals of Mathematical Statistics 12, 1941
    freedom = _HELD_FREEDOM * 4 * (n - 1) ** 2 / (6 * n - 8)
    alike = float(np.clip(1 - variances[0] / own, 0, 0.99)) if own > 0 and n >= 16 else 0.0
    error = float(np.sqrt((1 - alike**2) / n)) if n >= 16 else 1.0
    # alike samples tell less of their scatter
    freedom *= (1 - alike) / (1 + alike)
    # what counting hides: variances are known to a share of the whole, not of what is left of it
    freedom *= (start / (start + float(np.mean(known)))) ** 2
    freedom = max(freedom, 0.0)
    variance = (USUAL_FREEDOM * start + freedom * own) / (USUAL_FREEDOM + freedom)
    return float(np.sqrt(variance)), USUAL_FREEDOM + freedom, alike, error, n


def _half_variance(values: Floats, known: Floats, lag: int, start: float) -> float:
    """Half the variance of differences over `lag` samples, less what is known; not below 0."""
    differences = values[lag:] - values[:-lag]
    explained = known[lag:] + known[:-lag]
    many = len(differences)
    rough = (MAD_TO_SD * float(np.median(np.abs(differences)))) ** 2
    # few differences say little of their own middle
    usual = 2 * start + float(explained.mean())
    near = np.sqrt((4 * usual + many * rough) / (4 + many))
    return max(float(held_variance(differences, near)) - float(explained.mean()), 0.0) / 2
