"""Checks of how particles came: evenly or in bursts, and with bubbles among them."""

import numpy as np
from skidboard import records
from skidboard.drivers import PLAIN_SERIAL

from skidwright.arrays import Floats, Mask
from skidwright.checks.check import COUNTS, JUDGEMENT, PUBLISHED, REJECTED, SUSPECT, Check
from skidwright.checks.readings import Readings

# Upper 1e-4 point of chi-square with 7 degrees of freedom (scipy.stats.chi2.isf; checked in the tests).
CHI2_7_HIGH = 29.878
# How the age of a line varies from one edge to another, at the five lines a second that are asked for: 200 ms
# over the square root of 6 is 82 ms (uniform ages), and something for the tick.
_LINE_AGE_MS = 100.0
_AIR_SIGMA, _MORE_SIGMA = 4, 3.5
_CARRIED = np.log(21 / 14) / np.log(14 / 6)


def chi_square(windows: Floats, shares: Floats) -> tuple[Floats, Floats]:
    """Pearson's chi-square of counts (8, n) against their sum spread by `shares`, and the sums, both (n,).

    `shares` are (8, n), or (8, 1) for all alike. Parts without a share are left out.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = np.where(shares > 0, 1 / shares, 0.0)
        squares = windows * windows
        spread = weights[:, 0] @ squares if shares.shape[1] == 1 else (squares * weights).sum(axis=0)
        total = windows.sum(axis=0)
        statistic = spread / total - total
    return np.where(total > 0, statistic, 0.0), total


def dispersion_limit(total: Floats, deviation: float | Floats) -> Floats:
    """Largest chi-square of `total` particles that is believed, exposures deviating by `deviation`.

    The statistic is the squared length of a vector; statistics and deviation add up to no more than
    the sum of their lengths.
    """
    return np.asarray((np.sqrt(CHI2_7_HIGH) + deviation * np.sqrt(total)) ** 2)


def _over_dispersed(c: Readings, windows: Floats) -> Mask:
    statistic, total = chi_square(windows, c.shares)
    deviation = c.limits.dispersion_deviation_percent / 100
    by_line = c.setting("counter_driver") == PLAIN_SERIAL
    if by_line.any():
        # the totals of a part's edges are those of the last line before them
        deviation = deviation + by_line * _LINE_AGE_MS / np.maximum(c.count_ms / records.SUB_WINDOWS, 1)
    return np.asarray((statistic > dispersion_limit(total, deviation)) & ~c.by_code)


def over_dispersed_4um(c: Readings) -> Mask:
    """Particles >=4 um(c) came in bursts, or the concentration changed during the count."""
    return _over_dispersed(c, c.windows_fine)


def over_dispersed_14um(c: Readings) -> Mask:
    """Particles >=14 um(c) came in bursts."""
    return np.asarray(_over_dispersed(c, c.windows_14um) & ~c.windows_full)


def air(c: Readings) -> Mask:
    """Far more particles >=21 um(c) than the finer channels lead one to expect: bubbles."""
    limits = c.limits
    share = limits.air_large_share_percent / 100
    _, at_6, at_14, at_21 = c.counts
    ratio = at_14 / np.maximum(at_6, 1)
    # no less than this is expected below (the exponent there is under 1/2): most samples end here
    least = np.minimum(limits.air_excess_factor * np.sqrt(np.minimum(ratio, 1)), share)
    near = np.flatnonzero((at_21 > least * at_14) & (at_14 >= limits.air_large_counts))
    at_14, at_21, ratio = at_14[near], at_21[near], ratio[near]
    by_share = at_21 > share * at_14 + _AIR_SIGMA * np.sqrt(share * (1 - share) * at_14)
    # a power law through >=6 and >=14, carried on to 21; real distributions fall off faster, not slower
    expected = at_14 * ratio**_CARRIED
    noise = np.sqrt(expected + (expected * (1 + _CARRIED)) ** 2 / np.maximum(at_14, 1))
    by_law = at_21 > limits.air_excess_factor * expected + _AIR_SIGMA * noise
    found = np.zeros(c.n, np.bool_)
    found[near[by_share | by_law]] = True
    return found


def air_on_top(c: Readings) -> Mask:
    """What came on top since the asset's sample before is nearly all large: some bubbles."""
    share = c.limits.air_large_share_percent / 100
    at_14, at_21 = c.counts[2:]
    # the same volume as then, the usual case, leaves the earlier counts as they are
    times = c.volume_ml / c.earlier_ml
    before_21 = c.earlier_counts[3] * times
    more_21 = at_21 - before_21
    enough = (more_21 > _MORE_SIGMA * np.sqrt(at_21 + before_21)) & (at_14 >= c.limits.air_large_counts)
    near = np.flatnonzero(enough)
    found = np.zeros(c.n, np.bool_)
    if len(near):
        at_14, at_21, before_21, more_21 = at_14[near], at_21[near], before_21[near], more_21[near]
        before_14 = c.earlier_counts[2, near] * times[near]
        over = more_21 - share * np.maximum(at_14 - before_14, 0)
        # a count from a smaller volume is scaled up with its noise
        widen = np.maximum(times[near], 1)
        large, rest = at_21 + widen * before_21, at_14 - at_21 + widen * (before_14 - before_21)
        noise = np.sqrt(large * (1 - share) ** 2 + np.maximum(rest, 0) * share**2)
        found[near] = over > _MORE_SIGMA * noise
    return found


CHECKS = (
    Check(
        "bursts-4um",
        COUNTS,
        SUSPECT,
        over_dispersed_4um,
        "chi-square of eight sub-windows >=4 um(c) against even arrival",
        ("dispersion_deviation_percent",),
        PUBLISHED,
        "Pearson's chi-square, 7 degrees of freedom, 1 in 10,000; the deviation is this project's judgement",
        "Look for air, a sticking valve, or fluid still changing: purge longer.",
    ),
    Check(
        "bursts-14um",
        COUNTS,
        SUSPECT,
        over_dispersed_14um,
        "the same for >=14 um(c)",
        ("dispersion_deviation_percent",),
        PUBLISHED,
        "Pearson's chi-square, as above",
        "Look for air on the suction side first: bubbles are large and come in bursts.",
    ),
    Check(
        "air",
        COUNTS,
        REJECTED,
        air,
        "share of particles >=21 um(c) against the finer channels",
        ("air_large_share_percent", "air_large_counts", "air_excess_factor"),
        JUDGEMENT,
        "bubbles are nearly all large; solid particles thin out with size",
        "Check suction fittings and fluid level; keep the return line below the surface; raise the "
        "line's pressure.",
    ),
    Check(
        "air-more",
        COUNTS,
        SUSPECT,
        air_on_top,
        "share of particles >=21 um(c) among those >=14 um(c) that came on top since the asset's last sample",
        ("air_large_share_percent", "air_large_counts"),
        JUDGEMENT,
        "even coarse dirt brings more particles of 14 to 21 um(c) than above; 3.5 standard deviations of "
        "counting",
        "Take another sample: a few bubbles pass, coarse dirt that was let in stays. Then as for `air`.",
    ),
)
