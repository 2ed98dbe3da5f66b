"""Checks of the counts: channels against each other, the sample before, and what a counter can show."""

import numpy as np
from skidboard import records

from skidwright.arrays import Mask
from skidwright.checks.check import (
    COUNTS,
    JUDGEMENT,
    METAL,
    NOTE,
    PRACTICE,
    PUBLISHED,
    REJECTED,
    STANDARD,
    SUSPECT,
    Check,
)
from skidwright.checks.readings import Readings

_LOG_SIZES = np.log(np.array(records.CHANNELS_UM, np.float64))


def channel_order(c: Readings) -> Mask:
    """A channel of larger particles counted more than one that includes it."""
    return np.asarray((c.counts[1:] > c.counts[:-1]).any(axis=0))


def nothing_counted(c: Readings) -> Mask:
    """Not one particle in any channel: no fluid is that clean."""
    return np.asarray((c.counts == 0).all(axis=0))


def channel_dead(c: Readings) -> Mask:
    """A channel is silent although the next finer one counted far too many for that."""
    finer, coarser = c.counts[:-1], c.counts[1:]
    # the steepest distribution that is still believed would leave this many in the coarser channel
    left = np.exp(-c.limits.slope_most * np.diff(_LOG_SIZES))[:, None]
    return np.asarray(((coarser == 0) & (finer * left > 10)).any(axis=0))


def channels_equal(c: Readings) -> Mask:
    """Two channels counted exactly the same: one wire, or one threshold, for both."""
    same = (c.counts[1:] == c.counts[:-1]) & (c.counts[1:] >= c.limits.slope_counts)
    return np.asarray(same.any(axis=0))


def stuck(c: Readings) -> Mask:
    """All channels counted exactly what they counted in the asset's sample before."""
    enough = c.counts.sum(axis=0) >= c.limits.stuck_counts
    return np.asarray(enough & (c.counts == c.earlier_counts).all(axis=0))


def slope_odd(c: Readings) -> Mask:
    """Between two channels the size distribution is flatter or steeper than fluids are."""
    finer, coarser = c.counts[:-1], c.counts[1:]
    step = np.diff(_LOG_SIZES)[:, None]
    limits = c.limits
    most, least = finer * np.exp(-limits.slope_least * step), finer * np.exp(-limits.slope_most * step)
    odd = ((coarser > most) | (coarser < least)) & (finer >= limits.slope_counts)
    if not odd.any():
        return np.zeros(c.n, np.bool_)
    # counting noise of three standard deviations is given away before anything is called odd
    flat = coarser - 3 * np.sqrt(coarser) > most
    steep = coarser + 3 * np.sqrt(coarser + 1) + 3 < least
    return np.asarray((odd & (flat | steep)).any(axis=0))


def coincidence_heavy(c: Readings) -> Mask:
    """More particles were lost to coincidence than can be corrected without doubt."""
    return np.asarray((c.loss > c.limits.coincidence_percent / 100).any(axis=0))


def coincidence_beyond(c: Readings) -> Mask:
    """More were counted than the counter can show by the model of coincidence."""
    return np.asarray(np.isnan(c.true_per_ml).any(axis=0) & ~c.by_code)


def coincidence_unknown(c: Readings) -> Mask:
    """The counter's sensing volume is not known: nothing was corrected."""
    return c.every(np.asarray(c.limits.sensing_volume_ml == 0))


def code_alone(c: Readings) -> Mask:
    """The counter gave a code in place of counts."""
    return c.by_code


def metal_too_many(c: Readings) -> Mask:
    """More metal particles than particles >=21 um(c), of which they are part."""
    metal = c.metal.sum(axis=0)
    large = c.counts[3]
    return np.asarray(metal > large + c.limits.metal_excess_sigma * np.sqrt(large + metal) + 3)


CHECKS = (
    Check(
        "channel-order",
        COUNTS,
        REJECTED,
        channel_order,
        ">=4 not below >=6 not below >=14 not below >=21 um(c)",
        (),
        STANDARD,
        "cumulative counts by definition (ISO 4406)",
        "Check the order of the counter's wires and thresholds.",
    ),
    Check(
        "counts-none",
        COUNTS,
        REJECTED,
        nothing_counted,
        "all channels at 0",
        (),
        JUDGEMENT,
        "no working fluid is that clean",
        "Check that the counter is powered, lit and wired.",
    ),
    Check(
        "channel-dead",
        COUNTS,
        REJECTED,
        channel_dead,
        "a channel at 0 under a busy finer one",
        ("slope_most",),
        JUDGEMENT,
        "even the steepest distribution believed would give more than ten",
        "Check that channel's wire and threshold.",
    ),
    Check(
        "channel-equal",
        COUNTS,
        SUSPECT,
        channels_equal,
        "two neighbouring channels with the same count",
        ("slope_counts",),
        JUDGEMENT,
        "Poisson counts of different sizes do not agree to the last particle",
        "Look for two channels on one wire or at one threshold.",
    ),
    Check(
        "counts-stuck",
        COUNTS,
        REJECTED,
        stuck,
        "all channels the same as in the asset's sample before",
        ("stuck_counts",),
        JUDGEMENT,
        "Poisson counts do not repeat in all channels",
        "Power-cycle the counter and check its wiring.",
    ),
    Check(
        "size-slope",
        COUNTS,
        SUSPECT,
        slope_odd,
        "exponent of the size distribution between neighbouring channels",
        ("slope_least", "slope_most", "slope_counts"),
        JUDGEMENT,
        "cumulative counts in service fall with about the second to fifth power of size",
        "Compare with a bottle sample; check thresholds, air and water.",
    ),
    Check(
        "coincidence",
        COUNTS,
        SUSPECT,
        coincidence_heavy,
        "share of particles lost to coincidence",
        ("sensing_volume_ml", "coincidence_percent"),
        PRACTICE,
        "counters are commonly rated at 5 % loss",
        "Dilute the sample or use a counter with a smaller sensing volume.",
    ),
    Check(
        "coincidence-beyond",
        COUNTS,
        REJECTED,
        coincidence_beyond,
        "count against 1/(e v), the most the counter can show",
        ("sensing_volume_ml",),
        PUBLISHED,
        "paralysable model (Knoll, Radiation Detection and Measurement, chapter 4)",
        "Dilute the sample.",
    ),
    Check(
        "coincidence-unknown",
        COUNTS,
        NOTE,
        coincidence_unknown,
        "whether the counter's sensing volume is known",
        ("sensing_volume_ml",),
        JUDGEMENT,
        "without it nothing can be corrected",
        "Give `[counter] sensing_volume_ml` in skid.toml.",
    ),
    Check(
        "code-alone",
        COUNTS,
        NOTE,
        code_alone,
        "whether the counter gave counts, or a code for one channel (`counter_driver` 2)",
        (),
        JUDGEMENT,
        "a code to the nearest whole number hides coincidence, air, bursts, a dead channel and chance: "
        "*cannot be checked*",
        "Judge by a bottle sample, or use a counter that gives counts.",
    ),
    Check(
        "metal-excess",
        METAL,
        SUSPECT,
        metal_too_many,
        "metal particles against all particles >=21 um(c)",
        ("metal_excess_sigma",),
        JUDGEMENT,
        "inductive sensors see particles from roughly 70 um (common practice, no source): they are "
        "among those",
        "Look for electrical noise on the metal sensor's line.",
    ),
)
