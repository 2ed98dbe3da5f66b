"""Change points against `ruptures` on the same data, and what must not be one."""

import itertools

import numpy as np
import pytest
import ruptures
from machine_years import PER_ML, START, step, years
from skidwright.judgement import changes, points


def by_pelt(days, values, penalty):
    """`ruptures.Pelt` with a straight line in each piece: the same cost, another search."""
    signal = np.column_stack([values, np.ones(len(days)), days])
    model = ruptures.Pelt(model="linear", min_size=changes.LEAST_PIECE, jump=1)
    return model.fit(signal).predict(pen=penalty)[:-1]


def by_dynp(days, values, penalty):
    """The best of `ruptures.Dynp` for 0 to 3 changes: exact, and slow."""
    signal = np.column_stack([values, np.ones(len(days)), days])
    model = ruptures.Dynp(model="linear", min_size=changes.LEAST_PIECE, jump=1).fit(signal)
    found = [[], *(model.predict(n_bkps=k)[:-1] for k in (1, 2, 3))]
    return min(found, key=lambda breaks: total(days, values, breaks, penalty))


def total(days, values, breaks, penalty):
    """Cost of a partition by NumPy's own line fits."""
    ends = [0, *breaks, len(days)]
    cost = penalty * len(breaks)
    for start, end in itertools.pairwise(ends):
        line = np.polyfit(days[start:end], values[start:end], 1)
        cost += ((values[start:end] - np.polyval(line, days[start:end])) ** 2).sum()
    return cost


def some_series(seed, n):
    """Three series with up to two steps, one of them with a ramp, at uneven times."""
    rng = np.random.default_rng(seed)
    days = np.cumsum(rng.uniform(0.5, 1.5, n))
    values = rng.standard_normal((3, n))
    for row in values:
        for at in rng.integers(8, n - 8, int(rng.integers(0, 3))):
            row[at:] += rng.choice([-4.0, 3.0, 6.0])
    values[1, n // 2 :] += 0.15 * np.arange(n - n // 2)
    return days, values, np.array([8.0, 15.0, 30.0])


def test_partition_is_that_of_ruptures_pelt() -> None:
    """The same changes; where not, of less cost: Pelt's pruning is not exact with a least size of pieces."""
    same = 0
    for seed in range(8):
        days, values, penalty = some_series(seed, 60 + 10 * seed)
        for found, row, pen in zip(changes.partition(days, values, penalty), values, penalty, strict=True):
            theirs = by_pelt(days, row, pen)
            same += found == theirs
            if found != theirs:
                assert total(days, row, found, pen) < total(days, row, theirs, pen)
    print(f"figure: changes: {same} of 24 partitions are those of ruptures.Pelt, the others cost less")
    assert same >= 20


@pytest.mark.parametrize("seed", range(3))
def test_partition_is_that_of_ruptures_dynp(seed) -> None:
    days, values, penalty = some_series(seed, 50)
    expected = [by_dynp(days, row, pen) for row, pen in zip(values, penalty, strict=True)]
    assert changes.partition(days, values, penalty) == expected


def test_a_step_is_found_on_its_day_with_its_size() -> None:
    made = years(np.random.default_rng(1), every_h=1, wander=0.1, rise=step(200, 1.0))
    seen = points.count_points(made)
    first = START.astype(np.int64) / 86_400_000
    for channel in changes.changes(seen.days, seen.values, seen.floor)[:3]:
        (one,) = channel
        assert one.days - first == pytest.approx(200.5, abs=1.5)
        assert one.step == pytest.approx(1.0, abs=0.15)


def test_a_slow_ramp_is_no_staircase() -> None:
    made = years(np.random.default_rng(2), every_h=1, wander=0.1, rise=lambda at: at / 365)
    seen = points.count_points(made)
    assert changes.changes(seen.days, seen.values, seen.floor) == [[], [], [], []]


def test_a_stray_point_is_no_change() -> None:
    rng = np.random.default_rng(3)
    days = np.arange(200.0)
    values = 0.1 * rng.standard_normal((200, 1))
    values[120] += 3.0
    assert changes.changes(days, values, np.zeros(1)) == [[]]
    # without holding strays it would be one
    raw = changes.partition(days, values.T, np.array([changes.penalty_for(200) * 0.01]))
    assert raw != [[]]


def test_too_few_points_have_no_change_and_equal_ones_neither() -> None:
    assert changes.changes(np.arange(13.0), np.zeros((13, 2)), np.zeros(2)) == [[], []]
    assert changes.changes(np.arange(60.0), np.full((60, 1), 5.0), np.zeros(1)) == [[]]


def test_points_are_medians_of_whole_days_back_from_the_newest() -> None:
    """Against `numpy.median` day by day; the newest day is a full one however the log begins."""
    made = years(np.random.default_rng(4), days=100.4, every_h=1)
    seen = points.count_points(made)
    expected = [
        np.median((made.counts[max(end - 24, 0) : end] + 0.5) / 30, axis=0)
        for end in range(len(made), 0, -24)
    ]
    assert seen.values[::-1] == pytest.approx(np.log2(expected))
    assert seen.samples[-1] == 24
    assert 2 ** seen.values[:, :3].mean(axis=0) == pytest.approx(PER_ML[:3], rel=0.1)


def test_uneven_samples_give_the_same_medians() -> None:
    """A day with a thousand samples among days with one takes another way to the same medians."""
    rng = np.random.default_rng(5)
    at = np.sort(np.r_[np.arange(0, 200), 150 + rng.uniform(0.1, 0.9, 1000)])
    made = years(rng, days=201, times=at)
    seen = points.count_points(made)
    span = np.ceil(at - at[-1] - 1e-9).astype(int)
    expected = [np.median((made.counts[span == k] + 0.5) / 30, axis=0) for k in np.unique(span)]
    assert seen.values == pytest.approx(np.log2(expected))
