"""The interlocks, one rule at a time."""

from skidboard import faults
from skidboard.interlocks import (
    ALSO_COUNTER,
    ALSO_DUTY,
    ALSO_TEMP,
    ALSO_WATER,
    INPUT_OVER_PRESSURE,
    INPUT_STOP,
    Interlocks,
    InTime,
)


class Skid:
    """Feeds an Interlocks with a skid in good order; what a test names differs from that."""

    def __init__(self, **settings):
        values = {"no_flow_ms": 8000, "unwanted_flow_ul": 5000, "fluid_hot_cdeg": 8500, "run_limit_s": 1800,
                  "duty_limit_ms": 20000, "stop_also": ALSO_DUTY}  # fmt: skip
        values.update(settings)
        self.interlocks = Interlocks()
        self.interlocks.configure(**values)

    def run(self, ms, inputs=0, driven=False, at_limit=False, pulses=None, tick_ul=200, water_failed=False,
            temp_failed=False, temp_cdeg=4000, tick_ms=100, short=False, counter_failed=False):  # fmt: skip
        """The fault bits after `ms` in steps of `tick_ms`; a driven pump gives a pulse a tick unless told."""
        if pulses is None:
            pulses = 1 if driven else 0
        for _ in range(ms // tick_ms):
            self.interlocks.update(tick_ms, inputs, driven, at_limit, short, pulses, tick_ul * (pulses > 0),
                                   water_failed, temp_failed, temp_cdeg, 0, counter_failed)  # fmt: skip
        return self.interlocks.active


def bit(number):
    return 1 << number


def test_all_quiet():
    skid = Skid()
    assert skid.run(60000) == 0
    assert skid.run(60000, driven=True) == 0


def test_no_flow_trips_in_time_and_only_with_the_pump_driven():
    skid = Skid(no_flow_ms=5000)
    assert skid.run(60000, pulses=0) == 0
    assert skid.run(4900, driven=True, pulses=0) == 0
    assert skid.run(100, driven=True, pulses=0) == bit(faults.NO_FLOW)
    assert skid.run(100, driven=True, pulses=1) == 0
    assert skid.run(4900, driven=True, pulses=0) == 0
    assert skid.run(100, driven=False, pulses=0) == 0
    # A new run has its own time.
    assert skid.run(4900, driven=True, pulses=0) == 0


def test_unwanted_flow_counts_after_the_run_down():
    skid = Skid(unwanted_flow_ul=1000)
    skid.run(10000, driven=True)
    # Pulses of the run-down do not count.
    assert skid.run(3000, pulses=1, tick_ul=200) == 0
    assert skid.interlocks.leaked_ul == 0
    assert skid.run(400, pulses=1, tick_ul=200) == 0
    assert skid.run(100, pulses=1, tick_ul=200) == bit(faults.UNWANTED_FLOW)
    # It stays until somebody resets it.
    assert skid.run(600000) == bit(faults.UNWANTED_FLOW)
    skid.interlocks.reset()
    assert skid.run(100) == 0


def test_a_leak_is_still_there_until_a_minute_has_passed_without_a_pulse():
    skid = Skid(unwanted_flow_ul=1000)
    skid.run(5000)
    assert skid.run(1000, pulses=1) == bit(faults.UNWANTED_FLOW)
    assert skid.run(59900) and skid.interlocks.causes_present() == bit(faults.UNWANTED_FLOW)
    assert skid.run(100) == bit(faults.UNWANTED_FLOW) and skid.interlocks.causes_present() == 0


def test_what_is_over_with_the_pump_off_is_no_cause_that_is_present():
    skid = Skid(no_flow_ms=5000, run_limit_s=30)
    assert skid.run(5000, driven=True, pulses=0) == bit(faults.NO_FLOW)
    assert skid.interlocks.causes_present() == 0
    assert skid.run(5000, inputs=INPUT_STOP) and skid.interlocks.causes_present() == bit(faults.STOP_INPUT)


def test_single_pulses_far_apart_are_not_a_leak():
    skid = Skid(unwanted_flow_ul=1000)
    skid.run(5000)
    for _ in range(20):
        assert skid.run(1000, pulses=1, tick_ul=200, tick_ms=1000) == 0
        assert skid.run(90000, tick_ms=1000) == 0
    assert skid.interlocks.leaked_ul == 0


def test_inputs_trip_at_once_and_together():
    skid = Skid()
    assert skid.run(100, inputs=INPUT_STOP) == bit(faults.STOP_INPUT)
    assert skid.run(100, inputs=INPUT_OVER_PRESSURE) == bit(faults.OVER_PRESSURE)
    both = INPUT_STOP | INPUT_OVER_PRESSURE
    assert skid.run(100, inputs=both, driven=True) == bit(faults.STOP_INPUT) | bit(faults.OVER_PRESSURE)
    assert skid.run(100) == 0


def test_hot_fluid_with_hysteresis():
    skid = Skid(fluid_hot_cdeg=8500)
    assert skid.run(1900, temp_cdeg=8600) == 0
    assert skid.run(100, temp_cdeg=8600) == bit(faults.FLUID_HOT)
    assert skid.run(60000, temp_cdeg=8300) == bit(faults.FLUID_HOT)
    assert skid.run(3000, temp_cdeg=8100) == 0


def test_a_spike_is_not_hot_fluid_and_zero_switches_it_off():
    skid = Skid()
    for _ in range(10):
        assert skid.run(500, temp_cdeg=15000) == 0
        assert skid.run(100, temp_cdeg=4000) == 0
    assert Skid(fluid_hot_cdeg=0).run(60000, temp_cdeg=15000) == 0
    assert Skid().run(60000, temp_cdeg=None) == 0


def test_hot_stays_hot_when_the_sensor_fails():
    skid = Skid()
    assert skid.run(3000, temp_cdeg=9000) == bit(faults.FLUID_HOT)
    both = bit(faults.FLUID_HOT) | bit(faults.TEMP_SENSOR)
    assert skid.run(60000, temp_failed=True, temp_cdeg=None) == both
    assert skid.interlocks.causes_present() == bit(faults.FLUID_HOT)
    assert skid.run(20000, temp_cdeg=4000) == 0
    # Where the sensor is taken out of use there is nothing to wait for.
    skid.run(3000, temp_cdeg=9000)
    assert skid.run(3000, temp_cdeg=None) == 0


def test_run_too_long():
    skid = Skid(run_limit_s=30)
    assert skid.run(29900, driven=True) == 0
    assert skid.run(100, driven=True) == bit(faults.RUN_TOO_LONG)
    assert skid.run(100) == 0
    assert skid.run(29900, driven=True) == 0


def test_duty_at_limit_is_reported_without_flicker():
    skid = Skid(duty_limit_ms=20000)
    assert skid.run(19900, driven=True, at_limit=True) == 0
    assert skid.run(100, driven=True, at_limit=True) == bit(faults.DUTY_AT_LIMIT)
    for _ in range(20):
        assert skid.run(1000, driven=True) == bit(faults.DUTY_AT_LIMIT)
        assert skid.run(100, driven=True, at_limit=True) == bit(faults.DUTY_AT_LIMIT)
    assert skid.run(5000, driven=True) == 0


def test_duty_at_limit_stops_the_pump_only_with_flow_short_of_its_band():
    skid = Skid(duty_limit_ms=5000)
    assert skid.run(60000, driven=True, at_limit=True) == bit(faults.DUTY_AT_LIMIT)
    assert skid.interlocks.stopping == 0
    skid.run(4900, driven=True, at_limit=True, short=True)
    assert skid.interlocks.stopping == 0
    skid.run(100, driven=True, at_limit=True, short=True)
    assert skid.interlocks.stopping == bit(faults.DUTY_AT_LIMIT)
    # With the pump off there is nothing left to see of it.
    assert skid.interlocks.causes_present() == 0
    skid.run(5000)
    assert skid.interlocks.stopping == 0
    only_told = Skid(duty_limit_ms=5000, stop_also=ALSO_WATER | ALSO_TEMP)
    assert only_told.run(60000, driven=True, at_limit=True, short=True) == bit(faults.DUTY_AT_LIMIT)
    assert only_told.interlocks.stopping == 0


def test_a_failed_sensor_stops_the_pump_only_where_that_is_wanted():
    for also, stops in ((0, 0), (ALSO_WATER, bit(faults.WATER_LOOP)), (ALSO_TEMP, bit(faults.TEMP_SENSOR)),
                        (ALSO_COUNTER, bit(faults.COUNTER))):  # fmt: skip
        skid = Skid(stop_also=also)
        skid.run(1000, driven=True, water_failed=True, temp_failed=True, temp_cdeg=None, counter_failed=True)
        failed = (faults.WATER_LOOP, faults.TEMP_SENSOR, faults.COUNTER)
        assert skid.interlocks.active == sum(bit(number) for number in failed)
        assert skid.interlocks.stopping == stops == skid.interlocks.causes_present()


def test_band_in_time():
    rule = InTime()
    rule.configure(3000, 20, 30)
    assert not rule.late_to_purge(19900) and rule.late_to_purge(20000)
    assert not rule.late_to_settle(29900) and rule.late_to_settle(30000)
    for _ in range(29):
        assert not rule.settled(True, 100)
    assert not rule.settled(False, 100)
    for _ in range(29):
        assert not rule.settled(True, 100)
    assert rule.settled(True, 100)
    rule.begin()
    assert not rule.settled(True, 100)


def test_sensor_faults_need_a_second_and_clear_after_ten():
    skid = Skid()
    assert skid.run(900, water_failed=True, temp_failed=True) == 0
    failed = skid.run(100, water_failed=True, temp_failed=True)
    assert failed == bit(faults.WATER_LOOP) | bit(faults.TEMP_SENSOR)
    assert skid.run(9900) == failed
    assert skid.run(100) == 0


def test_only_the_rules_that_stop_the_pump_are_tripping():
    for number in (faults.NO_FLOW, faults.UNWANTED_FLOW, faults.OVER_PRESSURE, faults.FLUID_HOT,
                   faults.STOP_INPUT, faults.RUN_TOO_LONG):  # fmt: skip
        assert faults.TRIPPING & bit(number)
    for number in (faults.DUTY_AT_LIMIT, faults.WATER_LOOP, faults.TEMP_SENSOR, faults.STORAGE):
        assert not faults.TRIPPING & bit(number)


def test_more_flow_than_the_pump_can_give_is_a_meter_that_counts_something_else():
    interlocks = Skid(full_ul_s=4000).interlocks

    def run(ms, flow_ul_s, driven=True):
        for _ in range(ms // 100):
            interlocks.update(100, 0, driven, False, False, 1, 0, False, False, 4000, flow_ul_s)
        return interlocks.active

    assert run(60000, 12000) == 0
    assert run(400, 12001) == 0
    assert run(100, 12001) == bit(faults.METER) == interlocks.stopping
    assert interlocks.causes_present() == 0  # the pump's stop hides it: the operator decides
    assert run(100, 800) == 0
    # With the pump off such pulses are unwanted flow.
    assert run(2000, 200000, driven=False) == 0
