"""Particles against their targets: the chance that the machine's level is at or below each limit.

A count leaves open what its particles came from (Garwood's limits: gamma distributions of n and of n + 1, see
`trade.counting`), the volume has an uncertainty that is common to all samples, and samples of one machine
scatter more than counting explains. The last two are joined as the GUM joins standard uncertainties (JCGM
100:2008, 5.1.2), in log2 of concentration, with the degrees of freedom of the Welch-Satterthwaite formula
(annex G.4.1), and the count's distribution is averaged over the Student t that they make. Of samples that
were taken with different uncertainties of the volume the largest counts.

Samples that could be of one fluid are put together: counts add up, and so do volumes. Others are not. Then a
machine is judged by the middle one of three, which sheds one wild sample; a fluid that is received by the
worst of them. Of two, none is the middle: the worse one counts.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats
from skidwright.formulas import coincidence
from skidwright.formulas.comparison import p_value_of_same
from skidwright.formulas.distributions import gamma_cdf
from skidwright.formulas.iso4406 import scale_numbers_of_counts
from skidwright.judgement.scatter import Scatter
from skidwright.samples.counted import Counted
from skidwright.samples.history import ABSENT, VALID, History
from skidwright.standing.goals import (
    CHANNELS,
    NO_GOAL,
    NO_VALID,
    NOT_MEASURED,
    NOT_MET,
    Goals,
    Quantity,
    decided,
)

Rows = NDArray[np.intp]

# Samples of one fluid are told apart wrongly in this share of cases, over all pairs and channels together.
FALSE_DIFFERENCE = 0.01
# A median of three normal values varies so much more than their mean: 0.4487 against 1/3 (H. A. David, Order
# Statistics, from memory; tests/standing draws it).
MEDIAN_LOSS = 3 * 0.4487
_LN2 = float(np.log(2))
# Places at which Student's t is taken: close together in the middle, as far out as its tails need.
_PLACES = np.linspace(-7.0, 7.0, 301)
# A level's limits are looked for so many doublings around what was counted, by so many halvings.
_REACH, _HALVINGS = 10.0, 20


class Chance(NamedTuple):
    """Least and most chance of being at or below a limit, arrays of one value a channel."""

    least: Floats
    most: Floats


def chance_at_or_below(
    counted: Counted,
    limit_per_ml: ArrayLike,
    goals: Goals,
    scatter: Scatter | None = None,
) -> Chance:
    """Chance that the level is at or below `limit_per_ml` (channels,), by what was counted.

    `goals` say whether one sample may be outvoted. NaN limits give NaN. A count beyond what the counter can
    show is not at or below anything. A count in no volume proves nothing: then it is 0 to 1.
    """
    limit = np.asarray(limit_per_ml, np.float64)
    many = len(counted)
    if (counted.volume_ml <= 0).any():
        return Chance(*(np.where(np.isnan(limit), np.nan, open_end) for open_end in (0.0, 1.0)))
    if one_fluid(counted, scatter):
        return _chance(counted, limit, own_variance(scatter, many), together=True)
    if many == 3 and not goals.each:
        return _chance(counted, limit, own_variance(scatter, 3, MEDIAN_LOSS))
    alone = own_variance(scatter, 1)
    single = [_chance(counted.of(slice(i, i + 1)), limit, alone) for i in range(many)]
    if goals.each or many < 3:
        return Chance(*(np.min([one[k] for one in single], axis=0) for k in (0, 1)))
    return Chance(*(np.median([one[k] for one in single], axis=0) for k in (0, 1)))


def limit_of_level(counted: Counted, goals: Goals, scatter: Scatter | None, upper: bool) -> float:
    """Of samples of one size (n, 1) that are put together: the concentration per mL which the level is at or
    below (`upper`), else at or above, with the confidence asked for.

    `chance_at_or_below` turned round: at the upper end the least chance is that confidence, at the lower end
    the most is what is left of it. Infinite where there is none.
    """
    own, wanted = own_variance(scatter, len(counted)), goals.confidence if upper else 1 - goals.confidence
    start = float(np.log2((counted.counts.sum(dtype=np.float64) + 1) / counted.volume_ml.sum()))
    low, high = start - _REACH, start + _REACH
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        reached = _end(counted, np.array([2**middle]), own, upper, together=True)[0] >= wanted
        low, high = (low, middle) if reached else (middle, high)
    if high == start + _REACH:
        return float("inf")
    return 0.0 if low == start - _REACH else float(2**high)


def one_fluid(counted: Counted, scatter: Scatter | None = None) -> bool:
    """Could all these samples come from one fluid? By the two furthest apart, all pairs and sizes allowed
    for.
    """
    many = counted.counts.shape[1]
    pairs = len(counted) * (len(counted) - 1) // 2 * many
    shown_in = _shown_in(counted)
    for channel in range(many):
        column, volume_ml = counted.counts[:, channel].astype(np.float64), shown_in[:, channel]
        low, high = int(np.argmin(column / volume_ml)), int(np.argmax(column / volume_ml))
        if low == high or column[low] + column[high] == 0:
            continue
        own = 0.0 if scatter is None else float(scatter.sd[channel]) * _LN2
        spread = min(float(np.hypot(counted.volume_spread[[low, high]].max(), own)), 0.5)
        chance = p_value_of_same(
            int(column[high]), float(volume_ml[high]), int(column[low]), float(volume_ml[low]), spread
        )
        if chance * pairs < FALSE_DIFFERENCE:
            return False
    return True


def _shown_in(counted: Counted) -> Floats:
    """Volumes (n, channels) that have as many particles as the counter shows of the same fluid: less by what
    is lost to coincidence at the samples' mean level, which differs where their sensing volumes do.
    """
    volume, sensing = counted.volume_ml[:, None], counted.sensing_volume_ml[:, None]
    if not np.ptp(sensing):
        return np.broadcast_to(volume, counted.counts.shape)
    true = coincidence.correct(counted.counts / volume, sensing).true_per_ml
    with np.errstate(divide="ignore"):
        level = np.where(np.isnan(true), 1 / sensing, true).mean(axis=0)
    return np.asarray(volume * np.exp(-np.minimum(level * sensing, 1.0)))


def deciding(counted: Counted, one: Quantity, scatter: Scatter | None = None) -> Rows:
    """Which of some samples of one size (n, 1), each judged by itself, decides its state: the worst for
    it.
    """
    alone = own_variance(scatter, 1)
    limit = np.array([one.limit])
    end = 1 if one.state == NOT_MET else 0
    each = [_chance(counted.of(slice(i, i + 1)), limit, alone)[end][0] for i in range(len(counted))]
    return np.array([int(np.argmin(each))])


def particles(
    history: History, goals: Goals, now: np.datetime64, scatter: Scatter | None = None
) -> tuple[Quantity, ...]:
    """The four sizes, by the newest valid samples of the history."""
    if not len(history) or (history.counts_verdict == ABSENT).all():
        return tuple(_absent(k, goals, NOT_MEASURED) for k in range(len(CHANNELS)))
    rows = judged_rows(history, goals)
    if not len(rows):
        return tuple(_absent(k, goals, NO_VALID) for k in range(len(CHANNELS)))
    return of_rows(history, rows, goals, now, scatter)


def judged_rows(history: History, goals: Goals) -> Rows:
    """The newest valid samples, as many as are to decide or as there are."""
    return np.flatnonzero(history.counts_verdict == VALID)[-goals.samples :]


def of_rows(
    history: History, rows: Rows, goals: Goals, now: np.datetime64, scatter: Scatter | None = None
) -> tuple[Quantity, ...]:
    """The four sizes, by these valid samples."""
    limits = goals.limits_per_ml
    asked = np.flatnonzero(~np.isnan(limits))
    least = np.full(len(CHANNELS), np.nan)
    most = least.copy()
    if len(asked):
        counted = history.counted(rows).of(slice(None), asked)
        least[asked], most[asked] = chance_at_or_below(
            counted, limits[asked], goals, scatter_of(scatter, asked)
        )
    code = middle_code(history, rows)
    newest = history.when[rows].max()
    quantities = []
    for k, name in enumerate(CHANNELS):
        state = NO_GOAL if np.isnan(limits[k]) else decided(least[k], most[k], goals.confidence)
        value = float(np.median(history.per_ml[rows, k]))
        quantities.append(
            Quantity(
                name, "per mL", state, value, value, float(limits[k]), float(least[k]), float(most[k]),
                tuple(rows.tolist()), newest, age_days(newest, now), int(code[k]), goals.numbers[k],
            )
        )  # fmt: skip
    return tuple(quantities)


def middle_code(history: History, rows: Rows) -> NDArray[np.uint8]:
    """Median scale number of each size; of two middle values the worse one."""
    middle: NDArray[np.uint8] = np.sort(history.code[rows], axis=0)[len(rows) // 2]
    return middle


def code_together(history: History, rows: Rows) -> list[int]:
    """Scale numbers of all counts of some samples in all of their volume, exact."""
    return [int(number) for number in numbers_together(history.counts[rows], history.volume_ml[rows])]


def numbers_together(counts: NDArray[np.integer], volume_ml: Floats) -> NDArray[np.int64]:
    """Scale numbers of all of some samples' counts (n, channels) in all of their volume, in whole numbers."""
    volume_ul = int(np.rint(volume_ml * 1000).sum())
    return scale_numbers_of_counts(counts.astype(np.int64).sum(axis=0), volume_ul)


def above(history: History, rows: Rows, goals: Goals) -> NDArray[np.bool_]:
    """Which sizes of some rows are above their targets as counted, (rows, 4); nothing where not valid."""
    valid = history.counts_verdict[rows] == VALID
    return np.asarray(codes_above(history.code[rows], goals) & valid[:, None])


def codes_above(code: NDArray[np.integer], goals: Goals) -> NDArray[np.bool_]:
    """Which scale numbers (n, 4), as counted, are above their targets."""
    # no code is above 255, which stands for none
    asked = np.array([255 if number is None else number for number in goals.numbers])
    return np.asarray(code > asked)


def age_days(when: np.datetime64, now: np.datetime64) -> float:
    """How long ago a moment was, in days; NaN where it is not known."""
    return float("nan") if np.isnat(when) else float((now - when) / np.timedelta64(1, "D"))


class OwnVariance(NamedTuple):
    """Variance in what is judged that samples have of their own, and its degrees of freedom, a value a
    series.
    """

    variance: Floats
    freedom: Floats


def own_variance(scatter: Scatter | None, samples: int, more: float = 1.0) -> OwnVariance:
    """What is left of the scatter of single samples in the mean of so many, times `more`; none without
    any.
    """
    if scatter is None:
        return OwnVariance(np.zeros(1), np.full(1, np.inf))
    return OwnVariance(scatter.variance_of_mean(samples) * more, np.asarray(scatter.freedom, np.float64))


def scatter_of(scatter: Scatter | None, places: NDArray[np.intp] | slice) -> Scatter | None:
    """The scatter of some of its series."""
    if scatter is None:
        return None
    names = ("sd", "freedom", "alike", "alike_error", "samples")
    return replace(scatter, **{name: getattr(scatter, name)[places] for name in names})


def joined(stated: ArrayLike, own: OwnVariance) -> tuple[Floats, Floats]:
    """Standard uncertainty out of a stated one and of samples' own, and its effective degrees of freedom.

    Welch-Satterthwaite: the stated one is taken as known for certain.
    """
    variance = np.asarray(stated, np.float64) ** 2 + own.variance
    with np.errstate(divide="ignore", invalid="ignore"):
        freedom = np.where(own.variance > 0, own.freedom * (variance / own.variance) ** 2, np.inf)
    return np.sqrt(variance), freedom


def student_cdf(t: float, freedom: float) -> float:
    """Student's distribution function; the normal one for infinite freedom."""
    places, weight = student(np.array([freedom]))
    return float(np.interp(t, places[:, 0], np.cumsum(weight[:, 0]) - weight[:, 0] / 2))


def _absent(k: int, goals: Goals, state: str) -> Quantity:
    number = goals.numbers[k]
    return Quantity(CHANNELS[k], "per mL", state, limit=float(goals.limits_per_ml[k]), asked=number)


def _chance(counted: Counted, limit: Floats, own: OwnVariance, together: bool = False) -> Chance:
    """Of one sample (or several together), or of three the middle one, with what they have of their own."""
    return Chance(*(_end(counted, limit, own, least, together) for least in (True, False)))


def _end(counted: Counted, limit: Floats, own: OwnVariance, least: bool, together: bool = False) -> Floats:
    """The least or the most of the chances that a count leaves."""
    spread, freedom = joined(np.full(len(limit), counted.volume_spread.max() / _LN2), own)
    t, weight = student(freedom) if spread.any() else (np.zeros((1, 1)), np.ones((1, 1)))
    volume, sensing = counted.volume_ml[:, None], counted.sensing_volume_ml[:, None]
    # (places, samples, channels): the limit as it would have to be for each of the errors that may have been
    # made, and what each sample would show of it
    shifted = (limit * 2.0 ** np.clip(-spread * t, -60, 60))[:, None, :]
    with np.errstate(divide="ignore"):
        expected = coincidence.observed(np.minimum(shifted, 1 / sensing), sensing) * volume
    if together:
        expected, counted = expected.sum(axis=1, keepdims=True), counted.put_together()
        volume, sensing = counted.volume_ml[:, None], counted.sensing_volume_ml[:, None]
    count = np.broadcast_to(counted.counts.astype(np.float64), expected.shape)
    beyond = np.isnan(coincidence.correct(counted.counts / volume, sensing).true_per_ml)
    if least:
        each = gamma_cdf(count + 1, expected)
    else:
        each = np.where(count > 0, gamma_cdf(np.where(count > 0, count, 1.0), expected), 1.0)
    known = np.where(beyond, 0.0, each)
    of_all = _middle(known) if len(counted) == 3 else known[:, 0]
    chance = np.clip((weight * of_all).sum(axis=0), 0.0, 1.0)
    return np.asarray(np.where(np.isnan(limit), np.nan, chance))


def _middle(each: Floats) -> Floats:
    """Chance that the middle one of three is at or below, where each is with its own chance."""
    one, two, three = each[:, 0], each[:, 1], each[:, 2]
    return np.asarray(one * two + one * three + two * three - 2 * one * two * three)


def student(freedom: Floats) -> tuple[Floats, Floats]:
    """Values of Student's t and their weights, (places, channels); normal for infinite freedom."""
    t = np.sinh(_PLACES)[:, None]
    finite = np.minimum(freedom, 1e6)[None]
    weight = np.exp(-(finite + 1) / 2 * np.log1p(t**2 / finite)) * np.cosh(_PLACES)[:, None]
    return np.broadcast_to(t, weight.shape), weight / weight.sum(axis=0)
