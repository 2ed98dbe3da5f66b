"""No intermediate result of the control step leaves the small integers, whatever settings and inputs."""

import math

import pytest
from fake_board import counter_line
from hypothesis import HealthCheck, Phase, given
from hypothesis import settings as run_with
from hypothesis import strategies as st
from instrumented import NotSmall, load, small
from skidboard import settings as table

MODULES = load()
MASK = (1 << 30) - 1
LINES = [
    counter_line(n, [most, most - n, 1000 * n, 0], most)
    for n, most in enumerate([MASK, MASK - 1, 0, 1 << 20, MASK + 1, 10**10 - 1, 10**12])
]


class Board:
    """Inputs as a test sets them; outputs checked for range."""

    def __init__(self):
        self.now_us = 0
        self.counts = [0] * 6
        self.meter_count = 0
        self.meter_edge_us = 0
        self.water_ua = 0
        self.temp_ua = 0
        self.temp_ohm = 0
        self.inputs = 0
        self.tacho_count = 0

    def ticks_ms(self):
        return self.now_us // 1000 & MASK

    def ticks_us(self):
        return self.now_us & MASK

    def refresh(self):
        pass

    def counter_read(self, buf):
        # The largest numbers that a line may say, and larger ones.
        said = LINES[self.now_us % len(LINES)]
        buf[: len(said)] = said
        return len(said)

    def set_pump(self, duty_permille):
        assert 0 <= duty_permille <= 1000

    def set_outputs(self, mask):
        assert 0 <= mask < 1 << 10


def any_settings():
    """Every setting at its lowest, highest, default or anywhere between, where they agree together."""

    def one(row):
        _, low, high, default = row
        return st.one_of(st.sampled_from([low, high, default]), st.integers(low, high))

    drawn = st.fixed_dictionaries({name: one(row) for name, row in table.TABLE.items()})

    def order(values):
        low, mid, high = sorted([values["flow_low_ul_s"], values["flow_set_ul_s"], values["flow_high_ul_s"]])
        values["flow_low_ul_s"] = low = min(low, 19998)
        values["flow_set_ul_s"] = min(max(mid, low + 1), 19999)
        values["flow_high_ul_s"] = max(high, values["flow_set_ul_s"] + 1)
        v100, v40 = sorted([values["fluid_v100_dmm2_s"], values["fluid_v40_dmm2_s"]])
        values["fluid_v100_dmm2_s"] = max(20, min(v100, 5000))
        values["fluid_v40_dmm2_s"] = max(v40, values["fluid_v100_dmm2_s"] * 4 // 3 + 2)
        values["watchdog_ms"] = max(values["watchdog_ms"], table.WATCHDOG_LEAST_MS)
        for low, high in (("water_low_cpct", "water_high_cpct"), ("temp_low_cdeg", "temp_high_cdeg")):
            values[low] = min(values[low], values[high] - 1)
        values["meter_table"] = []
        if values["meter_pulse_nl"] % 2:
            near = values["meter_pulse_nl"]
            nl = [max(1000, near * 3 // 4 + 1), near, min(1000000, near * 5 // 4)]
            values["meter_table"] = [[2, nl[2]], [99, nl[1]], [5000, nl[0]]]
        values["code_low"], values["code_high"] = 4, 24
        if values["counter_driver"] == 2:
            values["temp_source"] = 2
        values["assets"] = [1, 2, 3]
        if values["cleanup_output"]:
            values["cleanup_output"] = min(max(values["cleanup_output"], 4), 7)
        # What a pump can give, and gains that go with it and with the meter.
        flow = values["flow_set_ul_s"]
        full = values["pump_full_ul_s"] = min(60000, max(100, flow, min(values["pump_full_ul_s"], 50 * flow)))
        values["duty_slew_permille_s"] = max(values["duty_slew_permille_s"], 512 // full + 1)
        values["duty_max_permille"] = max(values["duty_max_permille"], 1000)
        duty = values["pump_slip_permille"] + flow * (1000 - values["pump_slip_permille"]) // full
        values["duty_min_permille"] = min(values["duty_min_permille"], duty)
        values["gain_ppm_per_ul_s"] = min(values["gain_ppm_per_ul_s"], 2048 * 3906 // full)
        loop = max(values["gain_ppm_per_ul_s"] * full // 3906, 1)
        need_ms = values["meter_pulse_nl"] // flow + 200
        least_ms = need_ms * loop // 256 + loop if loop <= 1024 else 4 * need_ms + 8
        values["integral_ms"] = max(values["integral_ms"], min(least_ms, 600000))
        values["settle_limit_s"] = 3600
        ramp = full * values["duty_slew_permille_s"] // 512
        least_ms = max(
            2 * values["meter_pulse_nl"] // values["flow_low_ul_s"],
            5002 + 2 * math.isqrt(31250 * values["meter_pulse_nl"] // ramp),
        )
        values["no_flow_ms"] = min(120000, max(values["no_flow_ms"], least_ms))
        return values

    return drawn.map(order).filter(lambda values: not table.check_all(values))


TICKS = st.lists(
    st.tuples(
        st.sampled_from([0, 1, 50, 100, 100, 100, 1000, 59000, 500000]),  # ms since the tick before
        st.sampled_from([0, 0, 1, 1, 2, 20, 1000, 100000, MASK]),  # meter pulses
        st.sampled_from([0, 1, 10, 500, 60000, 4000001, MASK]),  # particles
        st.sampled_from([0, 0, 0, 0, 1, 2]),  # inputs
        st.sampled_from([0, 3700, 4000, 12345, 20000, 24000, 65535, MASK]),  # loop currents
        st.sampled_from([0, 1, 300, 10000, 200204, 655350000]),  # thermistor
        st.sampled_from([0, 1, 999, 50000, 99999999]),  # age of the latest edge in us
    ),
    min_size=5,
    max_size=60,
)


def step(process, board, tick):
    """One tick with these inputs."""
    dt_ms, pulses, particles, inputs, loop_ua, ohm, age_us = tick
    board.now_us += dt_ms * 1000
    board.counts = [n + particles & MASK for n in board.counts]
    board.meter_count = board.meter_count + pulses & MASK
    board.meter_edge_us = board.now_us - age_us & MASK
    board.inputs = inputs
    board.water_ua = board.temp_ua = loop_ua
    board.temp_ohm = ohm
    process.step(board, 0, True)


@given(values=any_settings(), ticks=TICKS, start_us=st.sampled_from([0, 5000, MASK - 300000]))
@run_with(
    max_examples=100,
    phases=[Phase.explicit, Phase.generate],
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
def test_whole_step_stays_small(values, ticks, start_us):
    board = Board()
    board.now_us = start_us
    process = MODULES["process"].Process(board)
    process.configure(values)
    process.sequence.start()
    for tick in ticks:
        step(process, board, tick)
        if process.sequence.state in (0, 5):
            process.interlocks.reset()
            process.sequence.reset()
            process.sequence.start()


@given(
    values=any_settings(),
    flows=st.lists(st.integers(0, MASK), min_size=1, max_size=50),
    dt_ms=st.integers(0, 60000),
)
@run_with(max_examples=100, phases=[Phase.explicit, Phase.generate], deadline=None)
def test_controller_stays_small(values, flows, dt_ms):
    controller = MODULES["controller"].FlowController()
    controller.configure(
        values["pump_full_ul_s"],
        values["duty_min_permille"],
        values["duty_max_permille"],
        values["duty_slew_permille_s"],
        values["gain_ppm_per_ul_s"],
        values["integral_ms"],
    )
    controller.aim(values["flow_set_ul_s"])
    for flow in flows:
        controller.update(flow, True, dt_ms)
        assert 0 <= controller.duty_permille <= values["duty_max_permille"]


@given(ticks=TICKS, pulse_nl=st.integers(1000, 1000000), low=st.integers(20, 20000))
@run_with(max_examples=100, phases=[Phase.explicit, Phase.generate], deadline=None)
def test_flow_stays_small(ticks, pulse_nl, low):
    flow = MODULES["flow"].Flow()
    flow.configure(pulse_nl, low)
    now_us = 0
    for dt_ms, pulses, _, _, _, _, age_us in ticks:
        now_us += dt_ms * 1000
        flow.update(pulses, now_us - age_us & MASK, now_us & MASK, min(dt_ms, 60000))
        assert flow.value_ul_s >= 0 and flow.tick_ul >= 0 and flow.silent_ms >= 0


@given(
    volume_ul=st.integers(2000, 500000),
    pulse_nl=st.integers(1000, 1000000),
    ticks=TICKS,
)
@run_with(max_examples=100, phases=[Phase.explicit, Phase.generate], deadline=None)
def test_sample_stays_small(volume_ul, pulse_nl, ticks):
    flow = MODULES["flow"].Flow()
    flow.configure(pulse_nl, 100)
    sample = MODULES["sample"].Sample()
    sample.begin(volume_ul, pulse_nl)
    now_us = 0
    for dt_ms, pulses, particles, _, _, _, age_us in ticks:
        before_us = now_us
        now_us += dt_ms * 1000
        flow.update(pulses, now_us - age_us & MASK, now_us & MASK, min(dt_ms, 60000))
        if sample.advance(
            [min(particles, 1 << 28)] * 6, flow, before_us & MASK, now_us & MASK, now_us // 1000 & MASK
        ):
            sample.begin(volume_ul, pulse_nl)


@given(
    line_ul=st.integers(500, 5000000),
    sample_ul=st.integers(2000, 500000),
    percent=st.integers(1, 50),
    before=st.lists(st.integers(0, (1 << 29) - 1), min_size=4, max_size=4),
    deltas=st.lists(st.sampled_from([0, 1, 60, 5000, 1 << 20, 1 << 28]), min_size=4, max_size=4),
    tick_ul=st.sampled_from([0, 1, 80, 200, 5000, 500000]),
    purged_ul=st.sampled_from([0, 1, 90000, 5000000, 500000000]),
    ticks=st.integers(1, 30),
)
@run_with(max_examples=200, phases=[Phase.explicit, Phase.generate], deadline=None)
def test_purge_stays_small(line_ul, sample_ul, percent, before, deltas, tick_ul, purged_ul, ticks):
    purge = MODULES["purge"].Purge()
    purge.configure(line_ul, sample_ul, percent)
    purge.remember(before, sample_ul)
    purge.clear(purged_ul)
    for _ in range(ticks):
        purge.add(deltas, tick_ul)
    small(purge.needed_ul(), "needed_ul")


def test_the_check_itself_notices():
    small(MASK, "here")
    small(-(1 << 30), "here")
    for value in (1 << 30, -(1 << 30) - 1, 0.5):
        with pytest.raises(NotSmall):
            small(value, "here")
    controller = MODULES["controller"].FlowController()
    with pytest.raises(NotSmall):
        controller.configure(60000, 60, 950, 400, 20000, 700)  # a gain beyond what the settings allow


@run_with(max_examples=200, deadline=None, derandomize=True)
@given(st.lists(st.one_of(st.sampled_from(LINES), st.binary(max_size=80)), min_size=1, max_size=12))
def test_whatever_a_counter_says_stays_small(said):
    driver = MODULES["plain_serial"].PlainSerial()
    board = Board()
    for piece in said:
        board.counter_read = lambda buf, piece=piece: (
            buf.__setitem__(slice(0, len(piece)), piece) or len(piece)
        )
        driver.step(board, 60000)
        assert all(0 <= n <= MASK for n in driver.counts)
