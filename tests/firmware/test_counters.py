"""Counters: totals from free-running counts, across the wrap at 2**30. Runs on CPython and MicroPython."""

from skidboard.counters import MASK, Counters


def test_first_reading_counts_nothing():
    counters = Counters(2)
    counters.update([7, MASK])
    assert counters.deltas == [0, 0]
    assert counters.totals == [0, 0]


def test_counts_across_the_wrap():
    counters = Counters(1)
    counters.update([MASK - 4])
    counters.update([10])
    assert counters.deltas == [15]
    counters.update([10])
    assert counters.deltas == [0]
    assert counters.totals == [15]


def test_random_walk_agrees_with_plain_addition():
    # A linear congruential generator ("Numerical Recipes"), so that both interpreters see the same steps.
    state = 1
    counters = Counters(1)
    raw = MASK - 5000
    counters.update([raw])
    expected = 0
    for _ in range(2000):
        state = (1664525 * state + 1013904223) & 0xFFFFFFFF
        step = state >> 20
        raw = (raw + step) & MASK
        expected += step
        counters.update([raw])
        assert counters.deltas[0] == step
        assert counters.totals[0] == expected


def test_total_stops_at_its_highest_and_never_falls():
    counters = Counters(1)
    counters.update([0])
    before = 0
    for i in range(1, 9):
        raw = i * 250000000 & MASK
        counters.update([raw])
        assert counters.totals[0] >= before
        before = counters.totals[0]
    assert before == MASK


def test_clear_loses_no_edge():
    counters = Counters(1)
    counters.update([100])
    counters.update([130])
    counters.clear()
    counters.update([135])
    assert counters.totals == [5]
