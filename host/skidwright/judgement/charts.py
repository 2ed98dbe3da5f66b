"""Control charts: does an asset differ from what is usual for itself?

Each point is compared with the asset's own baseline: up to 90 points that end one to two weeks of points
before it, so that a change does not hide in its own baseline. Neighbouring points may be alike. What is
charted is therefore a residual: a point's distance from the baseline's median less what the five points
before it let one expect (`noise`), in robust standard deviations of such residuals within the baseline.
Two charts look at it. One is for jumps: a single point beyond its limit where each point is itself the median
of many samples, else several in a row, each against what the points before the first of them let one expect,
since one sample can be odd. How many depends on how often the machine's own points have been odd so far. The
other is an EWMA (weight 0.2) of residuals held within 2.5 standard deviations, for small rises that last.
Limits come from `run_length` and are widened for what the baseline leaves open (its median, its standard
deviation), for what likeness the residuals have left, and for skew and tails of the asset's own residuals (by
E. A. Cornish and R. A. Fisher's expansion, 1938; Abramowitz and Stegun 26.2.49).
"""

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Floats
from skidwright.judgement.noise import CHANCE, MEMORY, Noise, fitted, half_variances, held_sd, scaled
from skidwright.judgement.points import Points
from skidwright.judgement.run_length import ewma_limit, single_limit, student_limit

WEIGHT = 0.2
BASELINE = 90
LEAST_BASELINE = 45
GUARD = 7
# What is stated: so many false alarms in a year of daily points, both charts of all series of an asset
# together.
FALSE_ALARMS_PER_YEAR = 0.1
# Limits are made for half of it where the mean of points varies by more than this many times that of
# independent ones: how much is known less well then.
_SLOW, _MADE_FOR = 12.0, 0.5
POINTS_PER_YEAR = 365
SERIES_OF_AN_ASSET = 5
CHARTS = 2
# A forecast counts points no further than so many standard deviations from usual: a stray does not move it
# far, and it does not follow a large jump.
_FOLLOWS = 6.0
# A point that is the median of so many samples speaks by itself; others only in a row, each beyond so many
# standard deviations.
_MANY_SAMPLES = 5
_ODD = 4.0
_MOST_IN_A_ROW = 4
# Odd points are taken for as frequent as so many of so many, until there are enough: this project's
# judgement, chosen with seeds of its own.
_ODD_BEFORE, _POINTS_BEFORE = 0.25, 50.0
# Residuals count no further out in the moving average.
_HELD = 2.5
# Standard deviation of a standard normal value held at 2.5 (see tests/judgement).
_LEAST_HELD_SD = 0.989
# The moving average's limit is at most this share of where residuals are held: ten points in a row reach it.
_REACHED = 0.88
# Degrees of freedom of the residuals' standard deviation, for each of the baseline's points: values held
# within 3 standard deviations are nearly as sharp as the usual estimate (0.9); residuals of a forecast that
# was fitted to the same points are less so (0.6: chosen with `noise.CHANCE`).
_FREEDOM_PER_POINT = 0.9 * 0.6
_LEAST_FREEDOM = 8.0
# The level is open twice: the baseline's median is an estimate, and so is that the level stayed.
_TIMES_OPEN = 2.0
# Alarms so many points apart or nearer are one.
TOGETHER = 14


@dataclass(frozen=True)
class Charts:
    """Both charts of k series over n points, as (n, k); NaN where there is no baseline yet.

    `usual` is the baseline's median and `away` a point's distance from it, both in units of the series, and
    `sd` the standard deviation of a residual; `single` and `ewma` in standard deviations of a residual with
    their limits either way (a lower one is negative). `jump` is 1 or -1 where points jumped that way.
    """

    days: Floats
    usual: Floats
    away: Floats
    sd: Floats
    single: Floats
    ewma: Floats
    ewma_limit: Floats
    ewma_lower: Floats
    jump: NDArray[np.int8]

    @property
    def up(self) -> NDArray[np.bool_]:
        """Where either chart is above its limit, (n, k). A jump back to usual from below is none."""
        with np.errstate(invalid="ignore"):
            jump = (self.jump > 0) & (self.away > 0)
            return np.asarray(jump | (self.ewma > self.ewma_limit))

    @property
    def down(self) -> NDArray[np.bool_]:
        """Where either chart is below its lower limit, (n, k). A jump back to usual from above is none."""
        with np.errstate(invalid="ignore"):
            jump = (self.jump < 0) & (self.away < 0)
            return np.asarray(jump | (self.ewma < self.ewma_lower))


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
    return POINTS_PER_YEAR * SERIES_OF_AN_ASSET * CHARTS / false_alarms_per_year


def charts(points: Points, false_alarms_per_year: float = FALSE_ALARMS_PER_YEAR) -> Charts:
    """Both charts of all series of `points`. A point is judged by what came before it, never by what came
    later."""
    values = points.values
    empty = np.full(values.shape, np.nan)
    pieces = _pieces(len(values))
    if not pieces:
        return Charts(points.days, *(empty,) * 7, np.zeros(values.shape, np.int8))
    first = pieces[0].start
    many = points.samples[first:, None] >= _MANY_SAMPLES
    leads = 1 if many.all() else _MOST_IN_A_ROW
    base = _baselines(values, points.floor, pieces, leads)
    # the baseline of each point from the first charted one on
    of = np.repeat(np.arange(len(pieces)), [piece.stop - piece.start for piece in pieces])
    number = base.points[of][:, None]
    more = base.left.more[of]
    # how well the residuals' level is known, in their squared standard deviations; a median varies more
    open_level = _TIMES_OPEN * np.pi / 2 * more / number
    freedom = np.maximum(_FREEDOM_PER_POINT * number / more, _LEAST_FREEDOM)
    wide = np.sqrt(1 + open_level)
    # (leads, n, k): each point against what those before the last `lead` let one expect
    apart = np.stack([_residuals(values, base, of, lead) for lead in range(1, leads + 1)])
    sd = np.stack(base.sd)[:, of]
    apart /= sd
    wanted = run_length(false_alarms_per_year)
    seldom = wanted / _MADE_FOR
    slow = base.model.more[of] > _SLOW
    single_z = np.where(slow, single_limit(seldom), single_limit(wanted))
    single_lim = student_limit(single_z, freedom) * wide
    in_a_row = _in_a_row(base, seldom)[of]
    odd = student_limit(_ODD, freedom) * wide
    jump = np.zeros(values.shape, np.int8)
    for sign in (1, -1):
        # the first of a row is as far out as one by itself would have to be
        beyond = sign * apart > odd
        beyond[0] = sign * apart[0] > single_lim
        jumped = many & beyond[0]
        for row in range(2, leads + 1):
            run = np.ones(jumped.shape, np.bool_)
            for lead in range(1, row + 1):
                run[: row - lead] = False
                run[row - lead :] &= beyond[lead - 1, : len(run) - (row - lead)]
            jumped |= run & (in_a_row <= row) & ~many
        jump[first:][jumped] = sign
    held = np.clip(apart[0], -_HELD, _HELD) - base.held_mean[of]
    spread = base.held_sd[of] * np.sqrt(base.left.of_average(WEIGHT)[of] + open_level)
    ewma_z = np.where(slow, ewma_limit(WEIGHT, seldom), ewma_limit(WEIGHT, wanted))
    z = student_limit(ewma_z, freedom)
    # points that stay beyond where residuals are held must be seen, however wide the limit
    furthest = [_REACHED * (_HELD - side * base.held_mean[of]) for side in (1, -1)]
    up, down = (
        np.minimum(_expanded(z, side * base.skew[of], base.tails[of]) * spread, most)
        for side, most in zip((1, -1), furthest, strict=True)
    )

    def whole(part: Floats) -> Floats:
        out = empty.copy()
        out[first:] = part
        return out

    usual = whole(base.usual[of])
    return Charts(
        days=points.days,
        usual=usual,
        away=values - usual,
        sd=whole(sd[0]),
        single=whole(apart[0]),
        ewma=_ewma(whole(held)),
        ewma_limit=whole(up),
        ewma_lower=whole(-down),
        jump=jump,
    )


def _residuals(values: Floats, base: "_Baselines", of: NDArray[np.intp], lead: int) -> Floats:
    """Each charted point's distance from what the points up to `lead` before it let one expect, (m, k)."""
    first = len(values) - len(of)
    usual, held = base.usual[of], base.held[of]
    residual = values[first:] - usual
    further = base.model.alike[of] ** (lead - 1)
    for j in range(MEMORY):
        earlier = values[first - lead - j : len(values) - lead - j] - usual
        residual -= further * base.weights[j, of] * np.clip(earlier, -held, held)
    return residual


def _in_a_row(base: "_Baselines", wanted: float) -> NDArray[np.int64]:
    """So many odd points in a row come by chance no more than once in `wanted` points, (p, k)."""
    # as many as chance may have kept from being seen so far
    share = (1.5 * base.odd + _ODD_BEFORE) / (base.seen[:, None] + _POINTS_BEFORE)
    needed = np.ceil(np.log(1 / wanted) / np.log(np.clip(share, 1e-4, 0.5)))
    return np.asarray(np.clip(needed, 2, _MOST_IN_A_ROW).astype(np.int64))


def _expanded(z: Floats, skew: Floats, tails: Floats) -> Floats:
    """The limit that a moving average of points with this skew and these tails leaves as seldom; never less
    than `z`."""
    w2 = WEIGHT / (2 - WEIGHT)
    w3 = WEIGHT**3 / (1 - (1 - WEIGHT) ** 3) / w2**1.5
    w4 = WEIGHT**4 / (1 - (1 - WEIGHT) ** 4) / w2**2
    s, k = skew * w3, tails * w4
    more = (z**2 - 1) * s / 6 + (z**3 - 3 * z) * k / 24 - (2 * z**3 - 5 * z) * s**2 / 36
    return np.asarray(z + np.maximum(more, 0.0))


@dataclass(frozen=True)
class _Baselines:
    """What is usual, for each of p pieces of k series, (p, k) unless said.

    Median, how far from it a forecast follows, the noise, forecast weights (MEMORY, p, k), deviations of
    residuals by lead, likeness left in residuals, number of points (p,). Of all residuals so far, in standard
    deviations: number `seen` (p,) and `odd` ones; mean, standard deviation, skew and tails (kurtosis less 3)
    of the held ones.
    """

    usual: Floats
    held: Floats
    model: Noise
    weights: Floats
    sd: list[Floats]
    left: Noise
    points: Floats
    seen: Floats
    odd: Floats
    held_mean: Floats
    held_sd: Floats
    skew: Floats
    tails: Floats


def _pieces(n: int) -> list[slice]:
    """Stretches of points that share a baseline: `GUARD` points each; larger while there is less than a full
    baseline."""
    first, full_from = LEAST_BASELINE + GUARD, BASELINE + GUARD
    starts = [*range(first, min(full_from, n), 2 * GUARD), *range(full_from, n, GUARD)]
    return [slice(a, b) for a, b in pairwise([*starts, n])]


def _baselines(values: Floats, floor: Floats, pieces: list[slice], most_lead: int) -> _Baselines:
    """The baseline of each piece, residuals by leads up to `most_lead`.

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

    def noise(found: list[Floats], chance: float) -> Noise:
        weight = number[:, None, None]
        mean = np.cumsum(placed([scaled(half_variances(rows)) for rows in found]) * weight, axis=0)
        mean /= np.cumsum(weight, axis=0)
        flat = fitted(mean.reshape(-1, mean.shape[2]), np.repeat(known, series).astype(np.float64), chance)
        return Noise(*(part.reshape(-1, series) for part in (flat.sd, flat.share, flat.alike)))

    model = noise(stacked, CHANCE)
    weights = model.forecast_weights()
    usual = placed([np.median(rows, axis=1) for rows in stacked])
    held = _FOLLOWS * np.maximum(placed([held_sd(rows) for rows in stacked]), floor)
    leads = []
    for lead in range(1, most_lead + 1):
        residuals = []
        for group, rows in zip(groups, stacked, strict=True):
            away = rows - usual[group].reshape(-1, 1)
            reach = held[group].reshape(-1, 1)
            near = np.clip(away, -reach, reach)
            start = MEMORY + lead - 1
            residual = away[:, start:].copy()
            for j in range(MEMORY):
                weight = (model.alike[group] ** (lead - 1) * weights[j, group]).reshape(-1, 1)
                residual -= weight * near[:, start - lead - j : rows.shape[1] - lead - j]
            residuals.append(residual)
        leads.append(residuals)
    least = np.maximum(floor, 1e-6)
    sd = [np.maximum(placed([held_sd(rows) for rows in lead]), least) for lead in leads]
    # moments of all residuals so far: new points alone count, each piece's baseline but for what it shares
    in_sd = [rows / sd[0][group].reshape(-1, 1) for group, rows in zip(groups, leads[0], strict=True)]
    new = np.diff(known, prepend=0)
    bounded = [np.clip(rows, -_HELD, _HELD) for rows in in_sd]
    weight = np.minimum(new, number)[:, None].astype(np.float64)
    seen = np.cumsum(weight[:, 0])

    def so_far(found: list[Floats]) -> Floats:
        return np.asarray(np.cumsum(placed(found) * weight, axis=0) / seen[:, None])

    m1, m2, m3, m4 = (so_far([(rows**power).mean(axis=1) for rows in bounded]) for power in (1, 2, 3, 4))
    variance = np.maximum(m2 - m1**2, 0.05)
    skew = (m3 - 3 * m1 * m2 + 2 * m1**3) / variance**1.5
    tails = (m4 - 4 * m1 * m3 + 6 * m1**2 * m2 - 3 * m1**4) / variance**2 - 3
    odd = so_far([(np.abs(rows) > _ODD).mean(axis=1) for rows in in_sd]) * seen[:, None]
    return _Baselines(
        usual,
        held,
        model,
        weights,
        sd,
        noise(leads[0], 0.0),
        number - float(MEMORY),
        seen,
        odd,
        m1,
        np.maximum(np.sqrt(variance), _LEAST_HELD_SD),
        skew,
        tails,
    )


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
