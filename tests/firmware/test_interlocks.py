"""The interlocks, one rule at a time."""

from skidboard import faults
from skidboard.interlocks import INPUT_OVER_PRESSURE, INPUT_STOP, Interlocks


class Skid:
    """Feeds an Interlocks with a skid in good order; what a test names differs from that."""

    def __init__(self, **settings):
        values = {"no_flow_ms": 8000, "unwanted_flow_ul": 5000, "fluid_hot_cdeg": 8500, "run_limit_s": 1800,
                  "duty_limit_ms": 20000}  # fmt: skip
        values.update(settings)
        self.interlocks = Interlocks()
        self.interlocks.configure(**values)

    def run(self, ms, inputs=0, driven=False, at_limit=False, pulses=None, tick_ul=200, water_failed=False,
            temp_failed=False, temp_cdeg=4000, tick_ms=100):  # fmt: skip
        """The fault bits after `ms` in steps of `tick_ms`; a driven pump gives a pulse a tick unless told."""
        if pulses is None:
            pulses = 1 if driven else 0
        for _ in range(ms // tick_ms):
            self.interlocks.update(tick_ms, inputs, driven, at_limit, pulses, tick_ul if pulses else 0,
                                   water_failed, temp_failed, temp_cdeg)  # fmt: skip
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
