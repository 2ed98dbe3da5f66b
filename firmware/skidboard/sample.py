"""One sample: what was counted between two edges of the flow meter, and how things stood meanwhile.

A count begins and ends on a meter edge, so that its volume is a whole number of
pulses. The counters are read once a tick; what came in during the tick with
the edge is shared out by the edge's place in the tick, every particle to one side.
"""

import struct

from skidboard import records
from skidboard.cleanliness import FEW_PARTICLES, scale_number
from skidboard.current_loop import LOOP_FAILED, LOOP_OK
from skidboard.ticks import ticks_add, ticks_diff

COUNTERS = 6
_OVER_14 = 2
_WINDOWS = records.SUB_WINDOWS
_SUM_BITS = 20
_COUNT_MAX = 1 << 29
_SUM_MASK = (1 << _SUM_BITS) - 1


class Spread:
    """Lowest, mean and highest of a stream of integers below 2**20; the sum is kept in two small integers."""

    def __init__(self):
        self.lowest = 0
        self.highest = 0
        self.n = 0
        self._sum_low = 0
        self._sum_high = 0

    def clear(self):
        """Forget everything."""
        self.lowest = 0
        self.highest = 0
        self.n = 0
        self._sum_low = 0
        self._sum_high = 0

    def add(self, value):
        """Take one value."""
        if self.n == 0 or value < self.lowest:
            self.lowest = value
        if self.n == 0 or value > self.highest:
            self.highest = value
        self.n += 1
        total = self._sum_low + value
        self._sum_high += total >> _SUM_BITS
        self._sum_low = total & _SUM_MASK

    def mean(self):
        """Mean, rounded to the nearest; 0 of nothing."""
        if self.n == 0:
            return 0
        return (((self._sum_high << _SUM_BITS) + self._sum_low) * 2 + self.n) // (2 * self.n)


def _share(delta, part):
    """`delta` * `part` / 256, rounded down."""
    return delta * part >> 8 if delta < 4000000 else (delta >> 8) * part


class Sample:
    """Collects one sample; used again for the next after `begin()`."""

    def __init__(self):
        self.counts = [0] * COUNTERS
        self.flow_ul_s = Spread()
        self.water_ua = Spread()
        self.temp_cdeg = Spread()
        self.duty_permille = Spread()
        self._cuts_4um = [0] * _WINDOWS
        self._cuts_14um = [0] * _WINDOWS
        self.begin(1, 1000)

    def begin(self, volume_ul, pulse_nl):
        """Forget the last sample and set the volume to count: whole meter pulses, rounded up."""
        self.want(volume_ul, pulse_nl)
        self.purge_ul = 0
        self.prepare_ms = 0
        self.counting = False
        self.fixed_duty = False
        self.pulses = 0
        self.out_of_band_ms = 0
        self.water_state = LOOP_OK
        self.temp_state = LOOP_OK
        self.faults = 0
        self.start_ms = 0
        self.end_ms = 0
        self._window = 0
        for i in range(COUNTERS):
            self.counts[i] = 0
        self.flow_ul_s.clear()
        self.water_ua.clear()
        self.temp_cdeg.clear()
        self.duty_permille.clear()

    def want(self, volume_ul, pulse_nl):
        """Set the volume to count anew, before the count begins."""
        self.pulses_wanted = (volume_ul * 1000 + pulse_nl - 1) // pulse_nl
        self.pulse_nl = pulse_nl

    def prepare(self, tick_ul, dt_ms):
        """Take one tick before the count: the volume drawn and the time."""
        self.prepare_ms += dt_ms
        if self.purge_ul < 500000000:
            self.purge_ul += tick_ul

    def advance(self, deltas, flow, before_us, now_us, now_ms):
        """Take what the counters gave between two ticks, up to 2**28; True when the volume is counted."""
        pulses = flow.pulses
        counts = self.counts
        if not self.counting:
            if pulses:
                part = self._place(flow, 0, before_us, now_us)
                for i in range(COUNTERS):
                    counts[i] = deltas[i] - _share(deltas[i], part)
                self.start_ms = ticks_add(now_ms, -(ticks_diff(now_us, flow.edge_us) // 1000))
                self.counting = True
            return False
        pulses += self.pulses
        while self._window < _WINDOWS:
            boundary = (self._window + 1) * self.pulses_wanted // _WINDOWS
            if pulses < boundary:
                break
            part = self._place(flow, pulses - boundary, before_us, now_us)
            fine = counts[0] + _share(deltas[0], part)
            coarse = counts[_OVER_14] + _share(deltas[_OVER_14], part)
            # A window without a pulse ends where the count began.
            self._cuts_4um[self._window] = fine if boundary else 0
            self._cuts_14um[self._window] = coarse if boundary else 0
            self._window += 1
        if self._window < _WINDOWS:
            self.pulses = pulses
            for i in range(COUNTERS):
                counts[i] += deltas[i] if counts[i] < _COUNT_MAX else 0
            return False
        for i in range(COUNTERS):
            counts[i] += _share(deltas[i], part)
        back_ms = (ticks_diff(now_us, before_us) >> 8) * (256 - part) // 1000
        self.end_ms = ticks_add(now_ms, -back_ms)
        self.pulses = self.pulses_wanted
        return True

    def _place(self, flow, pulses_after, before_us, now_us):
        """Where in the tick an edge lay, in 1/256 of it: the latest edge, or one `pulses_after` before it."""
        tick_us = ticks_diff(now_us, before_us)
        at_us = ticks_diff(flow.edge_us, before_us)
        if pulses_after:
            period_us = flow.period_us
            known = period_us > 0 and pulses_after < at_us // period_us
            at_us = at_us - pulses_after * period_us if known else 0
        if at_us <= 0 or tick_us <= 0:
            return 0
        if at_us >= tick_us:
            return 256
        return at_us * 256 // tick_us if tick_us < 4000000 else at_us // (tick_us >> 8)

    def observe(self, dt_ms, flow_ul_s, in_band, water, temp, duty_permille, faults):
        """Take how things stood for one tick of the count."""
        if not self.counting:
            return
        self.flow_ul_s.add(flow_ul_s if flow_ul_s < 65535 else 65535)
        if not in_band:
            self.out_of_band_ms += dt_ms
        self.water_ua.add(water.loop_ua)
        if water.state > self.water_state:
            self.water_state = water.state
        if temp is None:
            self.temp_state = LOOP_FAILED
        else:
            if temp.state > self.temp_state:
                self.temp_state = temp.state
            if temp.state != LOOP_FAILED:
                self.temp_cdeg.add(temp.value if temp.value < 32767 else 32767)
        self.duty_permille.add(duty_permille)
        self.faults |= faults

    def windows(self, channel):
        """Counts of channel 0 or 2 in the eight parts of a finished sample."""
        return _differences(self._cuts_14um if channel else self._cuts_4um)

    def pack(self, slot, boot, uptime_ms, asset, run, metal_channels, calibration_due_day, settings_crc):
        """Write the finished sample into a 144-byte slot; sequence number and CRC come with the append."""
        volume_ul = self.pulses * self.pulse_nl // 1000
        count_ms = max(1, ticks_diff(self.end_ms, self.start_ms))
        counts = self.counts[:4]
        metal = [self.counts[4] if metal_channels >= 1 else 0, self.counts[5] if metal_channels >= 2 else 0]
        flags = records.FLAG_FIXED_DUTY if self.fixed_duty else 0
        for i in range(4):
            if counts[i] < FEW_PARTICLES:
                flags |= 1 << i
        fine = self.windows(0)
        coarse = [min(n, 65535) for n in self.windows(_OVER_14)]
        shift = 0
        while max(fine) >> shift > 65535:
            shift += 1
        flow = self.flow_ul_s
        water = self.water_ua
        temp = self.temp_cdeg
        values = [records.SAMPLE, records.LAYOUT, boot, 0, uptime_ms, self.faults, asset, run]
        values += [count_ms, self.prepare_ms, volume_ul, self.purge_ul]
        values += counts + metal + [n >> shift for n in fine] + coarse
        values += [
            flow.lowest,
            min(65535, (volume_ul * 1000 + count_ms // 2) // count_ms),
            flow.highest,
            shift,
            flags,
        ]
        values += [
            self.out_of_band_ms,
            water.lowest,
            water.mean(),
            water.highest,
            self.water_state,
            self.temp_state,
        ]
        values += [
            temp.lowest,
            temp.mean(),
            temp.highest,
            self.duty_permille.mean(),
            self.duty_permille.highest,
        ]
        values += [scale_number(n, volume_ul) for n in counts]
        values += [self.pulses, calibration_due_day, settings_crc, 0]
        struct.pack_into(records.SAMPLE_FORMAT, slot, 0, *values)


def _differences(cuts):
    before = 0
    parts = []
    for cut in cuts:
        parts.append(cut - before)
        before = cut
    return parts
