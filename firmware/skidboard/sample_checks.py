"""May a finished sample be believed? What the host's checks ask of counts and water, once more in integers.

A clean-up run ends by these. They are a little stricter than the host's with its usual thresholds, never
milder, so that no sample ends a run that the host would reject afterwards. Not asked here is what a board
cannot know: UTC, and figures that stand in skid.toml only.
"""

from skidboard import faults
from skidboard.current_loop import LOOP_FAILED, LOOP_OK, loop_state
from skidboard.purge import isqrt
from skidboard.ticks import ticks_diff

# Faults that say nothing about the counts; any other, known or to come, speaks against them.
_HARMLESS = (
    1 << faults.DUTY_AT_LIMIT
    | 1 << faults.WATER_LOOP
    | 1 << faults.TEMP_SENSOR
    | 1 << faults.STORAGE
    | 1 << faults.LOG_OVERWROTE
    | 1 << faults.WATCHDOG
    | 1 << faults.LOOP_UNSTEADY
)
_WATER_FAULTS = 1 << faults.WATER_LOOP | 1 << faults.LOOP_UNSTEADY | 1 << faults.SETTINGS_BAD
# Between neighbouring channels: exponents 0.7 and 9 of the size distribution, in millionths.
_FLATTEST = (752906, 552605, 752906)
_STEEPEST = (26013, 488, 26013)


def percent_at(settings, loop_ua):
    """Water saturation at a loop current, 0.01 %, by the settings' scale."""
    low = settings["water_low_cpct"]
    return low + ((loop_ua - 4000) * (settings["water_high_cpct"] - low) + 8000) // 16000


def water_sound(sample, settings):
    """True when the sample's water saturation may be believed."""
    water = sample.water_ua
    temp = sample.temp_cdeg
    return (
        not sample.faults & _WATER_FAULTS
        and sample.water_state == LOOP_OK
        and loop_state(water.lowest) == LOOP_OK
        and loop_state(water.highest) == LOOP_OK
        and water.highest - water.lowest <= 320
        and temp.highest - temp.lowest <= 500
    )


def counts_sound(sample, before, settings):
    """True when the sample's counts may be believed; `before` are the asset's last counts (-1: none)."""
    if sample.faults & ~_HARMLESS or not _flow_sound(sample, settings):
        return False
    # Droplets from 90 % of saturation on.
    if sample.water_state != LOOP_FAILED and percent_at(settings, sample.water_ua.highest) >= 8990:
        return False
    counts = sample.counts
    if counts[0] == 0 or not _channels_sound(counts) or _carried_over(sample, before, settings):
        return False
    if _air(counts) or _air_on_top(counts, before):
        return False
    same = counts[0] + counts[1] + counts[2] + counts[3] >= 200
    for i in range(4):
        same = same and counts[i] == before[i]
    return not same and _even(sample, 0) and _even(sample, 2)


def _flow_sound(sample, settings):
    low = settings["flow_low_ul_s"]
    high = settings["flow_high_ul_s"]
    margin = settings["flow_set_ul_s"] * 3 // 100 + 1
    margin = min(margin, (high - low) // 4)
    flow = sample.flow_ul_s
    if sample.out_of_band_ms or flow.lowest < low + margin or flow.highest > high - margin:
        return False
    count_ms = ticks_diff(sample.end_ms, sample.start_ms)
    volume_ul = sample.pulses * sample.pulse_nl // 1000
    if count_ms <= 0 or volume_ul <= 0:
        return False
    mean = volume_ul * 1000 // count_ms
    return (flow.highest - flow.lowest) * 100 <= 6 * mean


def _channels_sound(counts):
    for i in range(3):
        finer = counts[i]
        coarser = counts[i + 1]
        if coarser > finer:
            return False
        least = finer * _STEEPEST[i] // 1000000 + 1
        if coarser == 0 and least > 10:
            return False
        if finer >= 100:
            if coarser * 1000000 > finer * _FLATTEST[i]:
                return False
            if coarser + 3 * isqrt(coarser + 1) + 3 < least:
                return False
    return True


def _carried_over(sample, before, settings):
    """Too much of the sample before may be left in the line, by the law in purge.py, or too little purged."""
    sixteenths = sample.purge_ul * 16 // settings["line_volume_ul"]
    if sixteenths < 48:
        return True
    for i in range(4):
        count = sample.counts[i]
        step = abs(before[i] - count) if before[i] >= 0 else 0
        may = count * settings["carryover_percent"] // 100 + 3 * isqrt(count + 1)
        if step * 64 > may * (sixteenths * sixteenths - 64):
            return True
    return False


def _air(counts):
    """Bubbles: more particles >=21 um(c) than the finer channels let one expect."""
    at_6 = counts[1]
    at_14 = counts[2]
    at_21 = counts[3]
    if at_14 < 20:
        return False
    # 45 % of those >=14 um(c), and four standard deviations.
    if at_21 * 100 > at_14 * 45 + 4 * isqrt(at_14 * 2475):
        return True
    # A power law through 6 and 14 um(c), carried on: exponent 1/2 here, where 0.479 is meant.
    # In hundredths: whole numbers would be too coarse for a few particles.
    expected = isqrt(10000 * at_14 * at_14 * at_14 // max(at_6, 1))
    noise = isqrt(100 * expected + 2 * expected * expected // at_14)
    return at_21 * 10000 > expected * 135 + 400 * noise


def _air_on_top(counts, before):
    """Of what came on top since the sample before, more than 45 % are >=21 um(c): some bubbles."""
    if before[0] < 0:
        return False
    over = 100 * (counts[3] - before[3]) - 45 * max(counts[2] - before[2], 0)
    rest = max(counts[2] - counts[3] + before[2] - before[3], 0)
    # 3.4 standard deviations of counting (the host: 3.5), in hundredths
    return 10 * over > 34 * isqrt((counts[3] + before[3]) * 3025 + rest * 2025)


def _even(sample, channel):
    """False when particles came in bursts: chi-square of the eight parts of the count, in thousandths."""
    parts = sample.windows(channel)
    pulses = sample.pulses
    total = sum(parts)
    if total == 0:
        return True
    spread = 0
    ended = 0
    for k in range(len(parts)):
        end = (k + 1) * pulses // len(parts)
        if end > ended:
            spread += parts[k] * parts[k] * 1000 * pulses // (end - ended) + 1
        ended = end
    # 29.878: upper 1e-4 point with 7 degrees of freedom; an exposure may deviate by 1 %.
    return spread // total - 1000 * total <= 29877 + 109 * isqrt(total) + total // 10
