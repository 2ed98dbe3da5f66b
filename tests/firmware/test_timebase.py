"""Uptime across the wrap of the ticks. Runs on CPython and MicroPython."""

from skidboard.timebase import Timebase

PERIOD = 1 << 30


def test_starts_at_zero_wherever_the_ticks_are():
    timebase = Timebase(PERIOD - 5)
    assert timebase.uptime_ms() == 0
    timebase.advance(10)
    assert timebase.uptime_ms() == 15


def test_goes_on_over_many_wraps():
    # A linear congruential generator ("Numerical Recipes") gives steps up to 2**29 - 1, the longest allowed.
    state = 7
    ticks = 123
    timebase = Timebase(ticks)
    expected = 0
    for _ in range(500):
        state = (1664525 * state + 1013904223) & 0xFFFFFFFF
        step = state >> 3
        ticks = (ticks + step) % PERIOD
        expected += step
        timebase.advance(ticks)
        assert timebase.uptime_ms() == expected
        assert timebase.uptime_s() == expected // 1000
    assert expected > 20 * PERIOD


def test_ticks_that_go_back_change_nothing():
    timebase = Timebase(1000)
    timebase.advance(1500)
    timebase.advance(1400)
    assert timebase.uptime_ms() == 500
    timebase.advance(1600)
    assert timebase.uptime_ms() == 600


def test_lands_exactly_on_the_period():
    timebase = Timebase(0)
    timebase.advance(PERIOD // 2 - 1)
    timebase.advance(PERIOD - 2)
    assert timebase.uptime_ms() == PERIOD - 2
    timebase.advance(PERIOD - 1)
    timebase.advance(0)
    assert timebase.uptime_ms() == PERIOD
