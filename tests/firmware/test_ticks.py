"""Ticks that wrap at 2**30, on both interpreters."""

from skidboard.ticks import PERIOD, ticks_add, ticks_diff


def test_distance_across_the_wrap():
    assert ticks_diff(5, PERIOD - 5) == 10
    assert ticks_diff(PERIOD - 5, 5) == -10
    assert ticks_diff(123, 123) == 0


def test_sum_and_distance_agree():
    for start in (0, 1, PERIOD // 2, PERIOD - 1):
        for step in (0, 1, 1000, PERIOD // 2 - 1):
            later = ticks_add(start, step)
            assert 0 <= later < PERIOD
            assert ticks_diff(later, start) == step
            assert ticks_diff(start, later) == -step
