"""A sample: edges, sub-windows, statistics, and the record it becomes."""

import struct

from skidboard import records
from skidboard.current_loop import LOOP_FAILED, LOOP_OK, LOOP_UNCERTAIN, CurrentLoop
from skidboard.flow import Flow
from skidboard.sample import Sample, Spread

MASK = (1 << 30) - 1
NAMES = [name for name, _ in records.SAMPLE_FIELDS]


def fields(slot):
    """The record as a dictionary; arrays become lists."""
    table = {}
    offset = 0
    for name, code in records.SAMPLE_FIELDS:
        values = list(struct.unpack_from("<" + code, slot, offset))
        offset += struct.calcsize("<" + code)
        table[name] = values[0] if len(values) == 1 else values
    return table


class Stream:
    """Edges every `period_us` and particles on channel i every `every_us[i]`, seen in ticks of 100 ms."""

    def __init__(self, period_us, every_us, pulse_nl=200000, start_us=0):
        self.period_us = period_us
        self.every_us = every_us
        self.now_us = start_us
        self.start_us = start_us
        self.flow = Flow()
        self.flow.configure(pulse_nl, 100)
        self.sample = Sample()
        self.seen = [0] * 6
        self.edges = 0
        self.start_edge = None
        self.end_edge = None

    def particles(self, channel, until_us):
        every = self.every_us[channel]
        return (until_us - self.start_us + every // 3) // every if every else 0

    def edge_us(self, number):
        return self.start_us + 70000 + number * self.period_us

    def count(self, observe=None):
        """Run until the sample is done, at most an hour."""
        for _ in range(36000):
            before_us = self.now_us
            self.now_us += 100000
            edges = max(0, (self.now_us - self.start_us - 70000) // self.period_us + 1)
            pulses = edges - self.edges
            self.edges = edges
            latest = self.edge_us(edges - 1) if edges else 0
            self.flow.update(pulses, latest & MASK, self.now_us & MASK, 100)
            deltas = []
            for channel in range(6):
                n = self.particles(channel, self.now_us)
                deltas.append(n - self.seen[channel])
                self.seen[channel] = n
            was_counting = self.sample.counting
            done = self.sample.advance(
                deltas, self.flow, before_us & MASK, self.now_us & MASK, self.now_us // 1000 & MASK
            )
            if self.sample.counting and not was_counting:
                self.start_edge = edges - 1
            if observe:
                observe(self.sample)
            if done:
                return True
        return False

    def true_counts(self, channel, first_edge, last_edge):
        return self.particles(channel, self.edge_us(last_edge)) - self.particles(
            channel, self.edge_us(first_edge)
        )


EVERY = (711, 3300, 41000, 190000, 900000, 0)


def pack(sample):
    slot = bytearray(records.RECORD_BYTES)
    sample.pack(slot, 3, 123456, 7, 2, 2, 9831, 0xDEADBEEF)
    records.seal_record(slot, 99)
    assert records.record_ok(slot)
    return fields(slot)


def test_counts_lie_between_the_first_and_the_last_edge():
    # 240 ms a pulse; 24 ms a pulse: four edges in a tick; 3 s a pulse: many ticks without one.
    for period_us in (240000, 24000, 3000000):
        stream = Stream(period_us, EVERY)
        stream.sample.begin(9000, 200000)
        assert stream.count()
        wanted = stream.sample.pulses_wanted
        assert wanted == 45 and stream.sample.pulses == 45
        first = stream.start_edge
        for channel in range(6):
            true = stream.true_counts(channel, first, first + wanted)
            # Each end is placed within 1/256 of a tick, so within a particle or two of the densest channel.
            assert abs(stream.sample.counts[channel] - true) <= 2, (period_us, channel)
        record = pack(stream.sample)
        assert abs(record["count_ms"] - wanted * period_us // 1000) <= 1
        assert record["volume_ul"] == 9000
        assert record["meter_pulses"] == 45
        flow = 9000 * 1000000 // (wanted * period_us)
        assert abs(record["flow_mean_ul_s"] - flow) <= max(1, flow // 1000)


def test_sub_windows_are_edge_aligned_and_add_up():
    for period_us in (240000, 24000):
        stream = Stream(period_us, EVERY)
        stream.sample.begin(10000, 200000)
        assert stream.count()
        record = pack(stream.sample)
        assert sum(record["windows_4um"]) == record["counts"][0]
        assert sum(record["windows_14um"]) == record["counts"][2]
        first = stream.start_edge
        for k in range(8):
            low = first + k * 50 // 8
            high = first + (k + 1) * 50 // 8
            assert abs(record["windows_4um"][k] - stream.true_counts(0, low, high)) <= 2, (period_us, k)
            assert abs(record["windows_14um"][k] - stream.true_counts(2, low, high)) <= 1, (period_us, k)


def test_across_the_wrap_of_the_ticks():
    stream = Stream(240000, EVERY, start_us=(1 << 30) - 4000000)
    stream.sample.begin(9000, 200000)
    assert stream.count()
    assert abs(pack(stream.sample)["count_ms"] - 45 * 240) <= 1
    assert (
        abs(stream.sample.counts[0] - stream.true_counts(0, stream.start_edge, stream.start_edge + 45)) <= 2
    )


def test_fewer_pulses_than_sub_windows():
    stream = Stream(2000000, EVERY, pulse_nl=1000000)
    stream.sample.begin(3000, 1000000)
    assert stream.count()
    record = pack(stream.sample)
    assert record["meter_pulses"] == 3 and record["volume_ul"] == 3000
    # Windows of 0 or 1 pulse: floor((k+1)*3/8) goes 0 0 1 1 1 2 2 3.
    assert [n > 0 for n in record["windows_4um"]] == [False, False, True, False, False, True, False, True]
    assert sum(record["windows_4um"]) == record["counts"][0]


def test_a_dense_sample_shifts_its_windows():
    stream = Stream(240000, (3, 10, 100, 1000, 0, 0))
    stream.sample.begin(9000, 200000)
    assert stream.count()
    record = pack(stream.sample)
    assert record["window_shift"] > 0
    assert max(record["windows_4um"]) <= 65535
    whole = sum([n << record["window_shift"] for n in record["windows_4um"]])
    assert 0 <= record["counts"][0] - whole < 8 << record["window_shift"]


def test_few_particles_are_flagged_by_channel():
    # 10.8 s of counting: over 20 of the first two, 11 and 1 of the others.
    stream = Stream(240000, (100000, 200000, 1000000, 8000000, 0, 0))
    stream.sample.begin(9000, 200000)
    assert stream.count()
    record = pack(stream.sample)
    assert record["flags"] == 0b1100, record["counts"]
    assert record["codes"][0] > record["codes"][2]


def test_statistics_of_the_count():
    water = CurrentLoop(0, 10000)
    temp = CurrentLoop(0, 10000)
    currents = [8000, 8100, 7900, 3700, 8000]
    step = [0]

    def observe(sample):
        water.update(currents[step[0] % 5])
        temp.update(12000)
        sample.observe(100, 800 + step[0] % 3, step[0] % 10 != 0, water, temp, 200 + step[0] % 2, 1 << 9)
        step[0] += 1

    stream = Stream(240000, EVERY)
    stream.sample.begin(9000, 200000)
    assert stream.count(observe)
    record = pack(stream.sample)
    assert (record["flow_min_ul_s"], record["flow_max_ul_s"]) == (800, 802)
    assert record["water_min_ua"] == 3700 and record["water_max_ua"] == 8100
    assert abs(record["water_mean_ua"] - sum(currents) // 5) < 60
    assert record["water_state"] == LOOP_UNCERTAIN and record["temp_state"] == LOOP_OK
    assert record["temp_min_cdeg"] == record["temp_mean_cdeg"] == record["temp_max_cdeg"] == 5000
    assert record["duty_max_permille"] == 201
    assert record["faults"] == 1 << 9
    assert 900 <= record["out_of_band_ms"] <= 1200
    assert record["calibration_due_day"] == 9831 and record["settings_crc"] == 0xDEADBEEF


def test_a_failed_temperature_is_left_out_of_the_mean():
    sample = Sample()
    sample.counting = True
    water = CurrentLoop(0, 10000)
    temp = CurrentLoop(0, 10000)
    for loop_ua in (12000, 0, 12000):
        temp.update(loop_ua)
        sample.observe(100, 800, True, water, temp, 200, 0)
    assert sample.temp_state == LOOP_FAILED
    assert sample.temp_cdeg.mean() == 5000 and sample.temp_cdeg.lowest == 5000


def test_metal_channels_that_are_not_wired_stay_zero():
    stream = Stream(240000, (5000, 5000, 5000, 5000, 5000, 5000))
    stream.sample.begin(9000, 200000)
    assert stream.count()
    slot = bytearray(records.RECORD_BYTES)
    for channels, wanted in ((0, [False, False]), (1, [True, False]), (2, [True, True])):
        stream.sample.pack(slot, 1, 1, 1, 1, channels, 0, 0)
        assert [n > 0 for n in fields(slot)["metal"]] == wanted


def test_spread_over_more_than_a_small_integer_can_sum():
    spread = Spread()
    for i in range(30000):
        spread.add(65535 - i % 3)
    assert (spread.lowest, spread.mean(), spread.highest) == (65533, 65534, 65535)
    spread.clear()
    for value in (-300, -100, -101):
        spread.add(value)
    assert (spread.lowest, spread.mean(), spread.highest) == (-300, -167, -100)
