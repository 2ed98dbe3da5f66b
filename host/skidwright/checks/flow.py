"""Checks of flow, volume and purge: was the fluid drawn as the counter and the question need it?"""

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
from skidboard import records

from skidwright.arrays import Floats, Mask
from skidwright.checks.check import (
    COUNTS,
    JUDGEMENT,
    METAL,
    NOTE,
    PRACTICE,
    PUBLISHED,
    REJECTED,
    SUSPECT,
    Check,
)
from skidwright.checks.readings import Readings
from skidwright.formulas import purge, settling, viscosity

FIXED_DUTY = 1 << 4
_TABLE_C = np.arange(-40.0, 151.0)


def out_of_band(c: Readings) -> Mask:
    """Flow left the counter's band at any time of the count, or came nearer to its edge than can be told."""
    low, high = c.flow_band
    margin = c.setting("flow_set_ul_s") * (c.limits.flow_margin_percent / 100)
    # a band narrower than the margins would reject everything: its middle half always counts as inside
    margin = np.minimum(margin, (high - low) / 4)
    outside = (c.flow_min_ul_s < low + margin) | (c.flow_max_ul_s > high - margin)
    return np.asarray(outside | (c.whole("out_of_band_ms") > 0))


def unsteady(c: Readings) -> Mask:
    """Flow varied during the count."""
    spread = c.flow_max_ul_s - c.flow_min_ul_s
    return np.asarray(spread > c.limits.flow_spread_percent / 100 * c.flow_mean_ul_s)


def no_volume(c: Readings) -> Mask:
    """No volume or no time was counted: no concentration follows."""
    return np.asarray((c.whole("volume_ul") == 0) | (c.whole("count_ms") == 0))


def volume_short(c: Readings) -> Mask:
    """Less was counted than set."""
    wanted = c.setting("sample_volume_ul") * (1 - c.limits.volume_shortfall_percent / 100)
    return np.asarray(c.volume_ul < np.where(c.settings_known, wanted, c.limits.volume_least_ul))


def volume_differs(c: Readings) -> Mask:
    """The volume is not that of its meter pulses, or not flow times time."""
    allowed = c.limits.volume_mismatch_percent / 100 * c.volume_ul + 1
    by_flow = c.flow_mean_ul_s * c.count_ms * 1e-3
    # flow is a whole number of uL/s, rounded down; at 65535 it is "or more"
    differs = (np.abs(by_flow - c.volume_ul) > allowed + c.count_ms * 1e-3) & (c.flow_mean_ul_s < 65535)
    by_pulses = c.meter_pulses * c.pulse_nl * 1e-3
    return np.asarray(differs | (c.settings_known & (np.abs(by_pulses - c.volume_ul) > allowed)))


def carried_over(c: Readings) -> Mask:
    """Too much of what was counted may be left over from the sample before, or stand in for it.

    A laminar purge of n line volumes leaves about 1 / (4 n^2) of the step between the two levels.
    """
    left = purge.residual(c.purge_ul / c.line_ul)
    # this asset's own level is what would be there without the step: a share `left` of it is missing
    remains = np.abs(c.step_per_ml)
    remains *= left / np.maximum(1 - left, 0.1)
    if not (remains > c.carryover_share * c.per_ml).any():
        return np.zeros(c.n, np.bool_)
    allowed = purge.allowed_per_ml(c.per_ml, c.volume_ml, c.carryover_share)
    return np.asarray((remains > allowed).any(axis=0))


def purge_needed_ul(c: Readings, short: Mask) -> Floats:
    """The purge that would have kept what is left over within bounds, uL (n,), for the samples `short` of it;
    NaN for the others."""
    found = np.full(c.n, np.nan)
    if short.any():
        own = np.maximum(c.per_ml + c.left_over_per_ml, 0)[:, short]
        share = np.broadcast_to(c.carryover_share, c.n)[short]
        allowed = purge.allowed_per_ml(own, c.volume_ml[short], share)
        volumes = purge.volumes_for(np.abs(own - c.earlier_per_ml[:, short]), allowed).max(axis=0)
        found[short] = volumes * np.broadcast_to(c.line_ul, c.n)[short]
    return found


def purge_short(c: Readings) -> Mask:
    """Purged less than the least number of line volumes."""
    return np.asarray(c.purge_ul < c.limits.purge_least_volumes * c.line_ul)


def settled(c: Readings) -> Mask:
    """Large particles settle in the level part of the line instead of reaching the counter."""
    limits = c.limits
    if not (limits.line_level_ul and limits.line_bore_mm):
        return np.zeros(c.n, np.bool_)
    return np.asarray(lost_on_the_way(c, [21.0])[0] > limits.settling_percent / 100)


def lost_on_the_way(c: Readings, sizes_um: Sequence[float]) -> Floats:
    """Share of mineral particles of each size that settles before the counter, (sizes, n).

    0 where volume and bore of the line's level part are not known, or no temperature says how thin oil was.
    """
    limits = c.limits
    if not (limits.line_level_ul and limits.line_bore_mm):
        return np.zeros((len(sizes_um), c.n))
    oil = _thinnest_oil(limits.oil_v40_mm2_s, limits.oil_v100_mm2_s)
    thin = np.interp(c.temp_max_cdeg, _TABLE_C * 100, oil)
    sinks = settling.stokes_m_s(np.array(sizes_um)[:, None], thin)
    lost = settling.settled_share(limits.line_level_ul, limits.line_bore_mm, c.flow_mean_ul_s, sinks)
    return np.asarray(np.where(c.temp_state == 0, lost, 0.0))


def settled_shares(c: Readings) -> Floats:
    """What share of each channel's particles may have settled before the counter, (4, n).

    A channel counts all particles above its size, and sinking goes with the square of size: of a power law
    of exponent 3 the mean square above a size is three times that size's.
    """
    return lost_on_the_way(c, [math.sqrt(3) * size for size in records.CHANNELS_UM])


@cache
def _thinnest_oil(v40_mm2_s: float, v100_mm2_s: float) -> Floats:
    """Viscosity in mm2/s at each temperature of the table; a viscosity out of D341's range as its edge."""
    line = viscosity.line_through(40, v40_mm2_s, 100, v100_mm2_s)
    found = viscosity.viscosity(line, _TABLE_C)
    return np.where(np.isnan(found), np.where(_TABLE_C < 40, viscosity.HIGHEST_MM2_S, 0.21), found)


def duty_at_limit(c: Readings) -> Mask:
    """The pump stood at its highest duty during the count."""
    return np.asarray(c.duty_max_permille >= c.setting("duty_max_permille"))


def meter_against_pump(c: Readings) -> Mask:
    """The meter shows another flow than the pump delivers at its duty: one of them is wrong."""
    limits = c.limits
    if not limits.pump_full_ul_s:
        return np.zeros(c.n, np.bool_)
    dead = limits.pump_dead_permille
    expected = limits.pump_full_ul_s * np.maximum(c.duty_mean_permille - dead, 0) / max(1000 - dead, 1)
    off = np.abs(c.flow_mean_ul_s - expected) > limits.pump_mismatch_percent / 100 * expected
    # thick oil passes a pump and a line as it likes
    warm = (c.temp_state == 0) & (c.temp_mean_cdeg >= 100 * limits.pump_from_c)
    return np.asarray(off & warm)


def fixed_duty(c: Readings) -> Mask:
    """The pump's duty was set by hand: flow was not controlled."""
    return np.asarray((c.whole("flags") & FIXED_DUTY) != 0)


CHECKS = (
    Check(
        "flow-band",
        COUNTS,
        REJECTED,
        out_of_band,
        "lowest and highest flow, and time out of band, over the whole count",
        ("flow_low_ul_s", "flow_high_ul_s", "flow_margin_percent"),
        PRACTICE,
        "counters are calibrated for a band of flow (its data sheet); the margin is this project's judgement",
        "See flow and duty in the report: thick oil, a choked line, a worn pump or wrong controller "
        "settings.",
    ),
    Check(
        "flow-unsteady",
        COUNTS,
        SUSPECT,
        unsteady,
        "spread of flow during the count",
        ("flow_spread_percent",),
        JUDGEMENT,
        "a controlled pump holds a few per cent, and one or two per cent more are the meter's own scatter; "
        "beyond is air, a pulsing pump or a badly tuned controller",
        "Look for air on the suction side; tune the controller.",
    ),
    Check(
        "volume-none",
        COUNTS | METAL,
        REJECTED,
        no_volume,
        "counted volume and time",
        (),
        JUDGEMENT,
        "no concentration follows from no volume",
        "Check the flow meter and its wiring.",
    ),
    Check(
        "volume-short",
        COUNTS,
        SUSPECT,
        volume_short,
        "counted volume against the volume set",
        ("volume_shortfall_percent", "volume_least_ul"),
        JUDGEMENT,
        "too few particles for the number stated",
        "Find out why the count ended early.",
    ),
    Check(
        "volume-differs",
        COUNTS,
        SUSPECT,
        volume_differs,
        "volume against meter pulses, and against flow times time",
        ("volume_mismatch_percent",),
        JUDGEMENT,
        "three records of one thing must agree",
        "Check `meter_pulse_nl`; report it with the log.",
    ),
    Check(
        "purge-short",
        COUNTS | METAL,
        SUSPECT,
        purge_short,
        "volume purged before the count, in line volumes",
        ("line_volume_ul", "purge_least_volumes"),
        PRACTICE,
        "lines are flushed several volumes before a sample",
        "Raise `purge_volume_ul`, or shorten the line.",
    ),
    Check(
        "purge-carryover",
        COUNTS,
        SUSPECT,
        carried_over,
        "what a laminar purge leaves of the step from the sample before, 1/(4 n^2), against this one",
        ("line_volume_ul", "carryover_percent"),
        PUBLISHED,
        "displacement in laminar pipe flow; the share allowed is this project's judgement",
        "The board purges on by itself as far as `purge_limit_ul` and `purge_limit_s` let it: raise them, "
        "and see that `line_volume_ul` is right. `skidwright order` says which order of assets takes least.",
    ),
    Check(
        "settling",
        COUNTS,
        SUSPECT,
        settled,
        "share of 21 um particles that settles in the line's level part, at the count's flow and warmest oil",
        ("line_level_ul", "line_bore_mm", "oil_v40_mm2_s", "oil_v100_mm2_s", "settling_percent"),
        PUBLISHED,
        "Stokes' law and Fuchs' share settled from laminar flow (1964), for mineral dust in the thinnest "
        "oil; the share allowed is this project's judgement. Counts alone cannot show it, since a filter "
        "takes large particles away too: the line is judged, and nothing is without its volume and bore",
        "Shorten the level stretches, run them upright, take a narrower bore, or sample cooler oil. To prove "
        "it, compare with a bottle taken at the tap.",
    ),
    Check(
        "meter-pump",
        COUNTS | METAL,
        SUSPECT,
        meter_against_pump,
        "mean flow by the meter against the pump's delivery at its mean duty",
        ("pump_full_ul_s", "pump_dead_permille", "pump_mismatch_percent", "pump_from_c"),
        JUDGEMENT,
        "a displacement pump is a second, coarse flow meter; 5 % is two standard uncertainties of a meter "
        "known to 1 % and a warm pump to 2 %. A smaller error of the meter stays unseen",
        "Check the meter's K factor (`meter_pulse_nl`) with a cylinder and a clock; then look for a choked "
        "line or a worn pump.",
    ),
    Check(
        "duty-limit",
        COUNTS,
        NOTE,
        duty_at_limit,
        "highest pump duty against its limit",
        (),
        JUDGEMENT,
        "flow itself is checked by flow-band",
        "The pump has nothing left to give: warm the oil, clear the line, or change the pump.",
    ),
    Check(
        "duty-fixed",
        COUNTS,
        NOTE,
        fixed_duty,
        "flag 'fixed duty by hand'",
        (),
        JUDGEMENT,
        "flow itself is checked by flow-band",
        "Go back to flow control when the trial is over.",
    ),
)
