"""Control charts: does an asset differ from what is usual for itself?

Each point is compared with the asset's own baseline: up to 90 points that end one to two weeks of points
before it, so that a change does not hide in its own baseline. Neighbouring points may be alike. What is
charted is therefore a residual: a point's distance from the baseline's median less what the five points
before it let one expect (`likeness`), in robust standard deviations of such residuals within the baseline.
Two charts look at it: single values for jumps, an EWMA (weight 0.2) for small rises that last. Limits come
from `run_length` and are widened for what the baseline leaves open (its median, its standard deviation) and
for what likeness the residuals have left.
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.likeness import CHANCE, MEMORY, Likeness, fitted, half_variances
from skidwright.judgement.points import Points
from skidwright.judgement.robust import held_sd
from skidwright.judgement.run_length import ewma_limit, single_limit, student_limit

Floats = NDArray[np.float64]

WEIGHT = 0.2
BASELINE = 90
LEAST_BASELINE = 45
GUARD = 7
# What is stated: so many false alarms in a year of daily points, both charts of all series of an asset
# together.
FALSE_ALARMS_PER_YEAR = 0.1
# The limits are made for half of it: the other half is kept for points that are very alike, whose likeness
# is known less well.
_MADE_FOR = 0.5
POINTS_PER_YEAR = 365
SERIES_OF_AN_ASSET = 5
CHARTS = 2
# A forecast counts points no further than so many standard deviations from usual: a stray does not move it
# far, and it does not follow a large jump.
_FOLLOWS = 6.0
# Degrees of freedom of the residuals' standard deviation, for each of the baseline's points: values held
# within 3 standard deviations are nearly as sharp as the usual estimate (0.9); residuals of a forecast that
# was fitted to the same points are less so (0.6: chosen with `likeness.CHANCE`).
_FREEDOM_PER_POINT = 0.9 * 0.6
_LEAST_FREEDOM = 8.0
# The level is open twice: the baseline's median is an estimate, and so is that the level stayed.
_TIMES_OPEN = 2.0
LEFT_CHANCE = 0.0
# Alarms so many points apart or nearer are one.
TOGETHER = 14


@dataclass(frozen=True)
class Charts:
    """Both charts of k series over n points, as (n, k); NaN where there is no baseline yet.

    `usual` is the baseline's median and `away` a point's distance from it, both in units of the series, and
    `sd` the standard deviation of a residual; `single` and `ewma` in standard deviations of a residual with
    their limits either way.
    """

    days: Floats
    usual: Floats
    away: Floats
    sd: Floats
    single: Floats
    single_limit: Floats
    ewma: Floats
    ewma_limit: Floats

    @property
    def up(self) -> NDArray[np.bool_]:
        """Where either chart is above its limit, (n, k). A jump back to usual from below is none."""
        with np.errstate(invalid="ignore"):
            jump = (self.single > self.single_limit) & (self.away > 0)
            return np.asarray(jump | (self.ewma > self.ewma_limit))

    @property
    def down(self) -> NDArray[np.bool_]:
        """Where either chart is below its lower limit, (n, k). A jump back to usual from above is none."""
        with np.errstate(invalid="ignore"):
            jump = (self.single < -self.single_limit) & (self.away < 0)
            return np.asarray(jump | (self.ewma < -self.ewma_limit))


@dataclass(frozen=True)
class Alarm:
    """A stretch of alarms of one series: first and last point, whether up, and how far from usual at most."""

    series: int
    first: int
    last: int
    up: bool
    furthest: float


def run_length(false_alarms_per_year: float = FALSE_ALARMS_PER_YEAR) -> float:
    """Average points between false alarms that each chart of each series is given."""
    return POINTS_PER_YEAR * SERIES_OF_AN_ASSET * CHARTS / (_MADE_FOR * false_alarms_per_year)


def charts(points: Points, false_alarms_per_year: float = FALSE_ALARMS_PER_YEAR) -> Charts:
    """Both charts of all series of `points`. A point is judged by what came before it, never by what came
    later."""
    values = points.values
    shape = values.shape
    usual, held, sd, freedom, open_level, averaged = (np.full(shape, np.nan) for _ in range(6))
    weights = np.full((MEMORY, *shape), np.nan)
    first, pieces = 0, _pieces(len(values))
    if pieces:
        first = pieces[0].start
        base = _baselines(values, points.floor, pieces)
        # the baseline of each point from the first charted one on
        of = np.repeat(np.arange(len(pieces)), [piece.stop - piece.start for piece in pieces])
        usual[first:], held[first:], sd[first:] = base.usual[of], base.held[of], base.sd[of]
        weights[:, first:] = base.weights[:, of]
        more = base.left.more[of]
        averaged[first:] = base.left.of_average(WEIGHT)[of]
        number = base.points[of][:, None]
        # how well the residuals' level is known, in their squared standard deviations; a median varies more
        open_level[first:] = _TIMES_OPEN * np.pi / 2 * more / number
        freedom[first:] = np.maximum(_FREEDOM_PER_POINT * number / more, _LEAST_FREEDOM)
    away = values - usual
    residual = away.copy()
    for j in range(MEMORY if pieces else 0):
        earlier = values[first - 1 - j : len(values) - 1 - j] - usual[first:]
        residual[first:] -= weights[j, first:] * np.clip(earlier, -held[first:], held[first:])
    single = residual / sd
    wanted = run_length(false_alarms_per_year)
    return Charts(
        days=points.days,
        usual=usual,
        away=away,
        sd=sd,
        single=single,
        single_limit=student_limit(single_limit(wanted), freedom) * np.sqrt(1 + open_level),
        ewma=_ewma(single),
        ewma_limit=student_limit(ewma_limit(WEIGHT, wanted), freedom) * np.sqrt(averaged + open_level),
    )


@dataclass(frozen=True)
class _Baselines:
    """What is usual, for each of p pieces of k series: median, how far from it a forecast follows, forecast
    weights (MEMORY, p, k), standard deviation of a residual, likeness left in residuals, all else (p, k);
    number of points (p,)."""

    usual: Floats
    held: Floats
    weights: Floats
    sd: Floats
    left: Likeness
    points: Floats


def _pieces(n: int) -> list[slice]:
    """Stretches of points that share a baseline: `GUARD` points each; larger while there is less than a full
    baseline."""
    first, full_from = LEAST_BASELINE + GUARD, BASELINE + GUARD
    starts = [*range(first, min(full_from, n), 2 * GUARD), *range(full_from, n, GUARD)]
    return [slice(a, b) for a, b in pairwise([*starts, n])]


def _baselines(values: Floats, floor: Floats, pieces: list[slice]) -> _Baselines:
    """The baseline of each piece.

    How alike points are is a lasting trait, of which one baseline tells little: it is averaged over all
    baselines so far.
    """
    series = values.shape[1]
    windows = [values[max(p.start - GUARD - BASELINE, 0) : p.start - GUARD].T for p in pieces]
    number = np.array([window.shape[1] for window in windows])
    # windows of equal length at once, as one row for each window and series
    groups = [np.flatnonzero(number == length) for length in np.unique(number)]
    stacked = [np.concatenate([windows[i] for i in group]) for group in groups]
    known = np.array([p.start - GUARD for p in pieces])

    def placed(found: list[Floats]) -> Floats:
        """Rows of the groups as (pieces, series, ...)."""
        whole = np.empty((len(pieces), series, *found[0].shape[1:]))
        for group, rows in zip(groups, found, strict=True):
            whole[group] = rows.reshape(len(group), series, *rows.shape[1:])
        return whole

    def likeness(found: list[Floats], chance: float) -> Likeness:
        weight = number[:, None, None]
        mean = np.cumsum(placed([half_variances(rows) for rows in found]) * weight, axis=0)
        mean /= np.cumsum(weight, axis=0)
        flat = fitted(mean.reshape(-1, mean.shape[2]), np.repeat(known, series).astype(np.float64), chance)
        return Likeness(flat.share.reshape(-1, series), flat.alike.reshape(-1, series))

    weights = likeness(stacked, CHANCE).forecast_weights()
    usual = placed([np.median(rows, axis=1) for rows in stacked])
    held = _FOLLOWS * np.maximum(placed([held_sd(rows) for rows in stacked]), floor)
    residuals = []
    for group, rows in zip(groups, stacked, strict=True):
        away = rows - usual[group].reshape(-1, 1)
        reach = held[group].reshape(-1, 1)
        near = np.clip(away, -reach, reach)
        residual = away[:, MEMORY:].copy()
        for j in range(MEMORY):
            residual -= weights[j, group].reshape(-1, 1) * near[:, MEMORY - 1 - j : rows.shape[1] - 1 - j]
        residuals.append(residual)
    sd = np.maximum(placed([held_sd(rows) for rows in residuals]), np.maximum(floor, 1e-6))
    return _Baselines(usual, held, weights, sd, likeness(residuals, LEFT_CHANCE), number - float(MEMORY))


def _ewma(residuals: Floats) -> Floats:
    """Moving average that starts from 0 at the first point with a baseline."""
    average = np.full(residuals.shape, np.nan)
    charted = ~np.isnan(residuals[:, 0]) if len(residuals) else np.zeros(0, np.bool_)
    average[charted] = _weights(int(charted.sum())) @ residuals[charted]
    return average


@lru_cache(maxsize=8)
def _weights(n: int) -> Floats:
    """Weight of point j in the average at point i, (n, n)."""
    age = np.arange(n)[:, None] - np.arange(n)[None, :]
    return np.where(age >= 0, WEIGHT * (1 - WEIGHT) ** np.maximum(age, 0), 0.0)


def alarms(found: Charts) -> list[Alarm]:
    """Stretches of alarms, by series and time."""
    told = []
    for up, where in ((True, found.up), (False, found.down)):
        for series in range(where.shape[1]):
            places = np.flatnonzero(where[:, series])
            if not len(places):
                continue
            breaks = np.flatnonzero(np.diff(places) > TOGETHER)
            for first, last in zip(places[np.r_[0, breaks + 1]], places[np.r_[breaks, -1]], strict=True):
                away = found.away[first : last + 1, series]
                furthest = float(away.max() if up else away.min())
                told.append(Alarm(series, int(first), int(last), up, furthest))
    return sorted(told, key=lambda one: (one.first, one.series))
