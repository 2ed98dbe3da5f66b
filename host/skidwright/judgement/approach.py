"""Is a value rising towards its limit, fast? A plain rule on readings, which no estimate of noise talks out
of what can be seen.

Trends, charts and changes measure a rise in the noise that they estimate, and a rise raises that estimate:
a steep one can hide itself. Here nothing is estimated. A *rise* is a stretch that begins at its lowest level
and lasts until three readings in a row have fallen back by half of what was gained. It counts once three
readings in a row lie above its beginning by as much as `least` and by four times what counting leaves open.
Within it

* *passed*: the middle one of three readings has been above the limit;
* *towards*: going on for as long as it has lasted (30 days at the most) it would pass the limit;
* *fast*: it gained four times `least` within a week, limit or none.

What a rise once was it stays until it ends, so that words do not become milder while it goes on. One reading
that is wrong, or two in a row, begin none and end none. The rule is ours (common practice, no source); how
often it errs is measured in docs/judgement.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.judgement.points import medians_of

Floats = NDArray[np.float64]

# A smaller gain is no rise: scale numbers, and percent of saturation.
LEAST_NUMBERS, LEAST_PERCENT = 1.0, 5.0
_TIMES_ERROR = 4.0
# Readings that must agree, and the share of a gain whose loss ends the rise.
_AGREE, _LOST = 3, 0.5
# A rise is taken to go on for so long at the most.
AHEAD_DAYS = 30.0
FAST_TIMES, FAST_DAYS = 4.0, 7.0
# The same readings are looked at one by one, as medians of six hours, and of days: so many of the newest.
_SPANS_DAYS = (0.0, 0.25, 1.0)
_NEWEST = 366
NONE, TOWARDS, PASSED = 0, 1, 2


@dataclass(frozen=True)
class Rise:
    """A rise that goes on now. Days since 1970; levels in units of the readings.

    `base` is its lowest level, `level` that of now (middle one of three). `stage` is TOWARDS or PASSED the
    limit, NONE where it is only `fast`.
    """

    since_days: float
    base: float
    now_days: float
    level: float
    stage: int
    fast: bool


def rise(
    days: Floats,
    values: Floats,
    limit: float = np.nan,
    least: float = LEAST_NUMBERS,
    errors: float | Floats = 0,
) -> Rise | None:
    """The gravest rise of a series (n,) that goes on at its newest reading; None where there is none.

    `days` since 1970, oldest first; `limit` NaN for none; `errors`: what counting leaves open of each
    reading, one standard deviation in the units of `values`.
    """
    if len(days) < _AGREE:
        return None
    given = np.broadcast_to(np.asarray(errors, np.float64), values.shape)
    found = []
    for span in _SPANS_DAYS:
        one = _rise(*_medians(days, values, given, span), limit, least)
        if one is not None:
            found.append(one)
    return max(found, key=lambda one: (one.stage, one.fast, one.level - one.base), default=None)


def _medians(days: Floats, values: Floats, errors: Floats, span: float) -> tuple[Floats, Floats, Floats]:
    """The newest readings, as medians of spans that begin at whole multiples of `span` days.

    Spans stand still while a log grows, so that what was said of the older ones stays said.
    """
    if span == 0:
        return days[-_NEWEST:], values[-_NEWEST:], errors[-_NEWEST:]
    first = int(np.searchsorted(days, days[-1] - span * _NEWEST))
    days, values, errors = days[first:], values[first:], errors[first:]
    place = np.floor(days / span)
    starts = np.flatnonzero(np.r_[True, place[1:] != place[:-1]])
    ends = np.r_[starts[1:], len(days)]
    counts = (ends - starts).astype(np.float64)
    middle = medians_of(values, starts, ends - starts)
    # a median varies by pi / 2 more than a mean
    loss = np.where(counts > 2, np.pi / 2, 1.0)
    error = np.sqrt(np.add.reduceat(errors**2, starts) / counts**2 * loss)
    return days[ends - 1], middle, error


def _rise(days: Floats, values: Floats, errors: Floats, limit: float, least: float) -> Rise | None:
    if len(values) < _AGREE or np.ptp(values) < least:
        return None
    start, stage, fast = stages(days, values, errors, limit, least)[-1]
    if stage == NONE and not fast:
        return None
    base, level = (float(np.median(values[at : at + _AGREE])) for at in (start, len(values) - _AGREE))
    return Rise(float(days[start + _AGREE - 1]), base, float(days[-1]), level, stage, fast)


def stages(
    days: Floats, values: Floats, errors: Floats, limit: float, least: float
) -> list[tuple[int, int, bool]]:
    """What each reading from the third on shows: where its rise begins, its stage, and whether it is fast."""
    three = np.sort(np.lib.stride_tricks.sliding_window_view(values, _AGREE), axis=1)
    low, middle, high = three.T.tolist()
    when, error = days[_AGREE - 1 :].tolist(), errors[_AGREE - 1 :].tolist()
    start, top, stage, fast = 0, middle[0], NONE, False
    found = [(start, stage, fast)]
    for i in range(1, len(middle)):
        gained = top - middle[start]
        # a new lowest level, or half of the gain lost: the rise begins anew
        if middle[i] <= middle[start] or (gained >= least and high[i] < top - _LOST * gained):
            start, top, stage, fast = i, middle[i], NONE, False
            found.append((start, stage, fast))
            continue
        top = max(top, middle[i])
        gain, lasted = low[i] - middle[start], when[i] - when[start]
        needed = max(least, _TIMES_ERROR * math.hypot(error[i], error[start]))
        if gain >= needed and lasted > 0:
            if middle[i] > limit:
                stage = PASSED
            elif middle[i] + gain * min(1.0, AHEAD_DAYS / lasted) >= limit:
                stage = max(stage, TOWARDS)
            fast = fast or (gain >= max(FAST_TIMES * least, needed) and lasted <= FAST_DAYS)
        found.append((start, stage, fast))
    return found
