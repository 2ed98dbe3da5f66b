"""The sampling cycle, state by state."""

from skidboard import faults, settings
from skidboard.current_loop import CurrentLoop
from skidboard.flow import Flow
from skidboard.sample import Sample
from skidboard.sequence import (
    BY_COMMAND,
    COUNT,
    PRIME,
    REST,
    SAMPLED,
    SETTLE,
    SKIPPED,
    STANDBY,
    TRIPPED,
    Sequence,
)  # fmt: skip

MASK = (1 << 30) - 1


class Cycle:
    """A Sequence with flow, loop and what stops the pump to set by hand, in ticks of 100 ms."""

    def __init__(self, **changes):
        self.settings = settings.defaults()
        self.settings.update(
            {"purge_volume_ul": 5000, "settle_ms": 3000, "settle_limit_s": 30, "prime_limit_s": 20,
             "sample_volume_ul": 4000, "rest_s": 10, "trip_hold_s": 5, "assets": [11, 12, 13]}
        )  # fmt: skip
        self.settings.update(changes)
        self.flow = Flow()
        self.flow.configure(self.settings["meter_pulse_nl"], self.settings["flow_low_ul_s"])
        self.sample = Sample()
        self.sequence = Sequence(self.flow, self.sample)
        self.sequence.configure(self.settings)
        self.water = CurrentLoop(0, 10000)
        self.water_ua = 8000
        self.ul_s = None  # None: whatever the sequence asks for
        self.stopping = 0
        self.now_us = 0
        self.edge_us = 0
        self.nl = 0
        self.ended = []

    def run(self, ms, until=None):
        """Go on for `ms`, or until a state; True when that state came."""
        sequence = self.sequence
        for _ in range(ms // 100):
            before_us = self.now_us
            self.now_us += 100000
            ul_s = sequence.set_ul_s if self.ul_s is None else self.ul_s
            self.nl += ul_s * 100
            pulses = self.nl // 200000
            self.nl -= pulses * 200000
            if pulses:
                self.edge_us = self.now_us - self.nl * 1000 // max(1, ul_s)
            self.flow.update(pulses, self.edge_us & MASK, self.now_us & MASK, 100)
            self.water.update(self.water_ua)
            deltas = [80, 30, 4, 1, 0, 0]
            sequence.step(100, deltas, self.water, self.stopping, before_us & MASK, self.now_us & MASK,
                          self.now_us // 1000 & MASK)  # fmt: skip
            if sequence.ended:
                self.ended.append((sequence.ended, sequence.ended_code, sequence.place))
                sequence.ended = 0
            if until is not None and sequence.state == until:
                return True
        return until is None


def test_waits_in_standby_for_start():
    cycle = Cycle()
    cycle.run(60000)
    assert cycle.sequence.state == STANDBY and cycle.sequence.set_ul_s == 0 and cycle.sequence.valve == -1
    cycle.sequence.start()
    assert cycle.sequence.state == PRIME


def test_a_whole_cycle():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    assert sequence.set_ul_s == 2000 and sequence.valve == 0
    assert cycle.run(20000, SETTLE)
    assert 5000 <= cycle.sample.purge_ul <= 5400
    assert sequence.set_ul_s == 833 and sequence.valve == 0
    settle_us = cycle.now_us
    assert cycle.run(30000, COUNT)
    assert cycle.now_us - settle_us >= 3000000
    assert cycle.run(30000, REST)
    assert cycle.ended == [(SAMPLED, 0, 0)]
    assert cycle.sample.pulses == 20
    assert sequence.set_ul_s == 0 and sequence.valve == -1
    assert sequence.seconds_to_next() == 10
    rest_us = cycle.now_us
    assert cycle.run(20000, PRIME)
    assert cycle.now_us - rest_us == 10000000
    assert sequence.valve == 1


def test_assets_take_turns():
    cycle = Cycle()
    cycle.sequence.start()
    cycle.run(200000)
    assert [place for _, _, place in cycle.ended][:4] == [0, 1, 2, 0]


def test_purges_on_after_a_dirtier_fluid():
    # 100 times the level before: sqrt(99 / 0.1) / 2 is 15.7 line volumes of 2 mL.
    cycle = Cycle(purge_volume_ul=10000, line_volume_ul=2000, settle_ms=8000, sample_volume_ul=60000)
    sequence = cycle.sequence
    sequence.purge.remember([96000 * 30, 36000 * 30, 4800 * 30, 1200 * 30], 30000)
    sequence.start()
    assert cycle.run(20000, SETTLE) and 10000 <= cycle.sample.purge_ul <= 10400
    # What is counted is 96 per mL from the beginning on: nothing is left over here, but the board expects it.
    assert cycle.run(20000, PRIME)
    assert sequence.valve == 0 and sequence.set_ul_s == 2000
    assert cycle.run(60000, SETTLE) and cycle.run(60000, COUNT)
    assert cycle.sample.purge_ul >= 2000 * 15.7
    cycle.run(90000, REST)
    assert cycle.ended == [(SAMPLED, 0, 0)]
    # The next asset's fluid is as this one's: no more than set.
    assert cycle.run(20000, PRIME) and cycle.run(20000, SETTLE)
    assert cycle.run(12000, COUNT)
    assert 10000 <= cycle.sample.purge_ul <= 10000 + 2000 + 8000


def test_purging_on_ends_at_its_limits():
    dirty = [960000 * 30, 360000 * 30, 48000 * 30, 12000 * 30]
    for changes, least_ul, most_ul in (
        ({"purge_limit_ul": 40000}, 40000, 56000),
        ({"purge_limit_s": 20}, 21000, 50000),
        ({"run_limit_s": 40}, 21000, 50000),
        ({"purge_limit_ul": 0}, 10000, 18000),
        ({"purge_limit_ul": 9000}, 10000, 18000),
    ):
        cycle = Cycle(purge_volume_ul=10000, line_volume_ul=2000, settle_ms=8000, **changes)
        cycle.sequence.purge.remember(dirty, 30000)
        cycle.sequence.start()
        cycle.run(180000, REST)
        # Not given up: it is counted, and the host says what is left over.
        assert cycle.ended == [(SAMPLED, 0, 0)]
        assert least_ul <= cycle.sample.purge_ul <= most_ul, (changes, cycle.sample.purge_ul)


def test_nothing_known_of_the_fluid_before_means_no_more_purging():
    cycle = Cycle(purge_volume_ul=10000, line_volume_ul=15000)
    cycle.sequence.start()
    assert cycle.run(20000, SETTLE) and cycle.run(12000, COUNT)


def test_a_step_of_the_water_loop_makes_settling_wait():
    cycle = Cycle()
    cycle.sequence.start()
    assert cycle.run(20000, SETTLE)
    for i in range(10):
        cycle.water_ua = 8000 + 100 * i
        assert not cycle.run(2000, COUNT)
    assert cycle.run(4000, COUNT)
    assert not cycle.sequence.faults


def test_an_unsteady_loop_does_not_prevent_the_count_for_ever():
    cycle = Cycle(settle_limit_s=20)
    sequence = cycle.sequence
    sequence.start()
    assert cycle.run(20000, SETTLE)
    begun = cycle.now_us
    while sequence.state == SETTLE:
        cycle.water_ua = 16200 - cycle.water_ua
        cycle.run(100)
    assert sequence.state == COUNT
    assert 19900000 <= cycle.now_us - begun <= 20100000
    assert sequence.faults == 1 << faults.LOOP_UNSTEADY
    assert cycle.run(30000, REST)
    assert cycle.ended == [(SAMPLED, 0, 0)]
    assert sequence.faults == 0


def test_a_failed_loop_is_not_waited_for():
    cycle = Cycle()
    cycle.sequence.start()
    cycle.water_ua = 0
    assert cycle.run(20000, SETTLE)
    assert cycle.run(6000, COUNT)
    assert not cycle.sequence.faults & 1 << faults.LOOP_UNSTEADY


def test_flow_outside_the_band_is_skipped_with_its_reason():
    for ul_s in (600, 1100):
        cycle = Cycle()
        cycle.sequence.start()
        assert cycle.run(20000, SETTLE)
        cycle.ul_s = ul_s
        assert cycle.run(31000, REST)
        assert cycle.ended == [(SKIPPED, faults.BAND_NOT_REACHED, 0)]
        assert cycle.sequence.faults == 1 << faults.BAND_NOT_REACHED
        # The next asset has its turn, and a good count clears the fault.
        cycle.ul_s = None
        assert cycle.run(60000, COUNT)
        assert cycle.sequence.place == 1 and cycle.sequence.faults == 0


def test_leaving_the_band_starts_the_settling_time_over():
    cycle = Cycle()
    cycle.sequence.start()
    assert cycle.run(20000, SETTLE)
    for _ in range(4):
        cycle.ul_s = 833
        assert not cycle.run(2500, COUNT)
        cycle.ul_s = 1300
        assert not cycle.run(1500, COUNT)
    cycle.ul_s = 833
    assert cycle.run(8000, COUNT)


def test_prime_that_takes_too_long_is_skipped():
    cycle = Cycle()
    cycle.sequence.start()
    cycle.ul_s = 150
    assert cycle.run(20000, REST)
    assert cycle.ended == [(SKIPPED, faults.BAND_NOT_REACHED, 0)]


def test_a_trip_in_the_count_leaves_a_skipped_cycle():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    assert cycle.run(60000, COUNT)
    cycle.stopping = 1 << faults.STOP_INPUT
    cycle.run(100)
    assert sequence.state == TRIPPED and sequence.set_ul_s == 0 and sequence.valve == -1
    assert sequence.trip_code == faults.STOP_INPUT and sequence.trip_from == COUNT
    assert cycle.ended == [(SKIPPED, faults.STOP_INPUT, 0)]
    assert sequence.faults == 1 << faults.STOP_INPUT


def test_a_held_trip_waits_for_the_operator_and_does_not_start_by_itself():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    cycle.stopping = 1 << faults.OVER_PRESSURE
    cycle.run(100)
    cycle.stopping = 0
    cycle.run(600000)
    assert sequence.state == TRIPPED
    sequence.start()
    assert sequence.state == TRIPPED
    sequence.reset()
    assert sequence.state == STANDBY and sequence.faults == 0
    # A reset must not itself start a machine (IEC 60204-1 on emergency stop; from memory).
    cycle.run(600000)
    assert sequence.state == STANDBY
    sequence.start()
    assert sequence.state == PRIME


def test_another_trip_ends_by_itself_after_its_hold():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    cycle.run(1000)
    cycle.stopping = 1 << faults.FLUID_HOT
    cycle.run(20000)
    assert sequence.state == TRIPPED
    cycle.stopping = 0
    assert not cycle.run(4900, REST)
    assert cycle.run(200, REST)
    assert sequence.faults == 0
    assert cycle.run(11000, PRIME)
    assert sequence.place == 1


def test_trip_while_resting_and_in_standby():
    cycle = Cycle()
    sequence = cycle.sequence
    cycle.stopping = 1 << faults.UNWANTED_FLOW
    cycle.run(100)
    assert sequence.state == TRIPPED and sequence.trip_from == STANDBY and cycle.ended == []
    cycle.stopping = 0
    sequence.reset()
    sequence.start()
    cycle.run(60000, REST)
    cycle.stopping = 1 << faults.STOP_INPUT
    cycle.run(100)
    assert sequence.state == TRIPPED and sequence.trip_from == REST


def test_a_held_cause_that_joins_a_passing_one_is_held():
    cycle = Cycle()
    cycle.sequence.start()
    cycle.stopping = 1 << faults.NO_FLOW
    cycle.run(100)
    cycle.stopping = 1 << faults.OVER_PRESSURE
    cycle.run(100)
    cycle.stopping = 0
    cycle.run(60000)
    assert cycle.sequence.state == TRIPPED
    assert cycle.sequence.faults == 1 << faults.NO_FLOW | 1 << faults.OVER_PRESSURE


def test_stop_gives_up_the_cycle():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    cycle.run(60000, COUNT)
    sequence.stop()
    assert sequence.state == STANDBY and sequence.set_ul_s == 0
    assert sequence.ended == SKIPPED and sequence.ended_code == BY_COMMAND
    cycle.run(600000)
    assert sequence.state == STANDBY


def test_start_ends_a_rest():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    cycle.run(60000, REST)
    sequence.start()
    assert sequence.state == PRIME and sequence.place == 1
    place = sequence.place
    sequence.start()
    assert sequence.place == place


def test_fewer_assets_than_before():
    cycle = Cycle()
    sequence = cycle.sequence
    sequence.start()
    cycle.run(100000)
    cycle.run(100000, PRIME)
    while sequence.place != 2:
        cycle.run(1000)
    sequence.abandon()
    values = dict(cycle.settings)
    values["assets"] = [11]
    sequence.configure(values)
    cycle.run(100000)
    assert sequence.place == 0


def test_noise_that_fills_a_purge_or_a_sample_is_a_fault_of_the_meter():
    """Seen on an emulated board: 1 kHz fills 60 mL in 0.3 s, before the interlock's half second is over."""
    for state in (PRIME, COUNT):
        cycle = Cycle(sample_volume_ul=60000, purge_volume_ul=60000, prime_limit_s=60)
        cycle.sequence.start()
        assert state == PRIME or cycle.run(90000, COUNT)
        cycle.run(2000)
        assert cycle.sequence.state == state
        cycle.ul_s = 200000
        cycle.run(400)
        assert cycle.sequence.state == TRIPPED and cycle.ended == [(SKIPPED, faults.METER, 0)]
        assert cycle.sequence.set_ul_s == 0 and cycle.sequence.valve == -1
        assert cycle.sequence.faults == 1 << faults.METER and cycle.sequence.trip_code == faults.METER
