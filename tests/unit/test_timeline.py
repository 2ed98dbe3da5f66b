"""UTC from boots and uptimes, against a simulated crystal whose true time is known."""

import numpy as np
import pytest
import synthetic_log as sl
from hypothesis import given
from hypothesis import strategies as st
from skidboard import records
from skidwright.log import timeline
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS, Contact, Timeline

T0 = sl.START_UTC_MS


def utc_of(line, boot, uptime):
    """One time as plain integers."""
    when, error = line.utc(np.array([boot]), np.array([uptime], np.uint64))
    return int(when[0]), int(error[0])


def test_linear_between_two_contacts():
    # a crystal 50 ppm slow, seen at both ends: 10,000 s of uptime are 10,000.5 s
    line = Timeline([Contact(1, 0, T0, 0), Contact(1, 10_000_000, T0 + 10_000_500, 0)], {1: 10_000_000})
    when, error = utc_of(line, 1, 5_000_000)
    assert when == T0 + 5_000_250
    assert error <= 1 + 5_000 * 0.1 * 2
    assert utc_of(line, 1, 10_000_000) == (T0 + 10_000_500, 1)


def test_drift_grows_away_from_the_only_contact():
    line = Timeline([Contact(1, 1000, T0, 20)], {1: 100_000_000}, drift_ppm=100)
    when, error = utc_of(line, 1, 10_001_000)
    assert when == T0 + 10_000_000
    assert 1020 <= error <= 1022
    assert utc_of(line, 1, 200_001_000)[1] == pytest.approx(20_020, abs=2)


def test_boot_without_contact_lies_between_its_neighbours():
    contacts = [Contact(1, 0, T0, 0), Contact(3, 0, T0 + 1_000_000, 0)]
    line = Timeline(contacts, {1: 100_000, 2: 300_000, 3: 50_000}, drift_ppm=0)
    # boot 2 began between 100 s and 700 s after the start
    assert utc_of(line, 2, 0) == (T0 + 400_000, 300_001)
    assert utc_of(line, 2, 300_000) == (T0 + 700_000, 300_001)


def test_before_the_first_and_after_the_last_contact_only_one_side_is_known():
    line = Timeline([Contact(2, 5000, T0, 0)], {1: 60_000, 2: 9_000, 3: 7_000}, drift_ppm=0)
    assert utc_of(line, 1, 60_000) == (T0 - 5000, UNBOUNDED_MS)
    assert utc_of(line, 3, 0) == (T0 + 4000, UNBOUNDED_MS)


def test_no_contact_at_all_is_unknown():
    line = Timeline([], {1: 60_000})
    assert utc_of(line, 1, 5) == (UNKNOWN_UTC_MS, UNBOUNDED_MS)
    assert np.isnat(np.array([UNKNOWN_UTC_MS]).view("datetime64[ms]")[0])
    assert utc_of(line, 9, 5) == (UNKNOWN_UTC_MS, UNBOUNDED_MS)
    assert utc_of(Timeline([], {}), 1, 5) == (UNKNOWN_UTC_MS, UNBOUNDED_MS)


def test_records_in_any_order_get_the_same_times():
    contacts = [
        Contact(1, 40_000, T0, 100),
        Contact(1, 900_000, T0 + 860_010, 80),
        Contact(3, 0, T0 + 5_000_000, 9),
    ]
    line = Timeline(contacts, {1: 1_000_000, 2: 50_000, 3: 700_000})
    rng = np.random.default_rng(1)
    boot = np.repeat([1, 2, 3], 50)
    uptime = np.concatenate([np.sort(rng.integers(0, end, 50)) for end in (1_000_000, 50_000, 900_000)])
    order = rng.permutation(150)
    in_order, shuffled = line.utc(boot, uptime), line.utc(boot[order], uptime[order])
    for one, other in zip(in_order, shuffled, strict=True):
        assert np.array_equal(one[order], other)
    # past the last record that the timeline knew of, time goes on at the crystal's rate
    when, error = utc_of(line, 3, 900_000)
    assert when == T0 + 5_900_000 and 9 + 90 <= error <= 9 + 92


def test_a_jumped_host_clock_is_outvoted_and_reported():
    good = [Contact(1, k * 3_600_000, T0 + k * 3_600_000, 50, seq=k) for k in range(6)]
    jumped = Contact(1, 9_000_000, T0 + 9_000_000 + 3_600_000, 50, seq=99)
    line = Timeline([*good, jumped], {1: 20_000_000})
    assert line.rejected == [jumped]
    when, error = utc_of(line, 1, 9_000_000)
    assert abs(when - (T0 + 9_000_000)) <= error < 500


def test_a_loose_contact_does_not_hide_two_that_contradict():
    contacts = [Contact(1, 0, T0, 10), Contact(1, 1000, T0, 10_000_000), Contact(1, 2000, T0 + 60_000, 10)]
    line = Timeline(contacts, {1: 2000})
    assert line.rejected == [contacts[0]]


def test_negative_drift_is_refused():
    with pytest.raises(ValueError, match="drift_ppm"):
        Timeline([], {}, drift_ppm=-1)


@st.composite
def histories(draw):
    """Boots with a true crystal error within 100 ppm, true times, and contacts within their uncertainty."""
    rate = 1 + draw(st.integers(-100, 100)) * 1e-6
    now = float(T0)
    boots, contacts = [], []
    first = draw(st.sampled_from([1, 65532, 65535]))
    for boot in [(first + k) & 0xFFFF for k in range(draw(st.integers(1, 5)))]:
        now += draw(st.integers(0, 10_000_000))
        steps = draw(st.lists(st.integers(0, 500_000_000), min_size=1, max_size=6))
        uptimes = np.cumsum(steps)
        boots.append((boot, now, uptimes))
        for i in draw(st.sets(st.integers(0, len(uptimes) - 1), max_size=3)):
            error = draw(st.integers(0, 5000))
            off = draw(st.floats(-1, 1)) * error
            contacts.append(Contact(boot, int(uptimes[i]), round(now + uptimes[i] * rate + off), error + 1))
        now += uptimes[-1] * rate
    return boots, contacts, rate


@given(histories())
def test_truth_is_inside_and_order_never_inverted(history):
    boots, contacts, rate = history
    ends = {boot: int(up[-1]) for boot, _, up in boots}
    line = Timeline(contacts, ends, drift_ppm=101, first_boot=boots[0][0])
    assert line.rejected == []
    boot = np.concatenate([np.full(len(up), b) for b, _, up in boots])
    uptime = np.concatenate([up for _, _, up in boots])
    truth = np.concatenate([start + up * rate for _, start, up in boots])
    when, error = line.utc(boot, uptime)
    known = when != UNKNOWN_UTC_MS
    assert known.all() == bool(contacts)
    bounded = error != UNBOUNDED_MS
    assert np.all(np.abs(when[bounded] - truth[bounded]) <= error[bounded])
    assert np.all(np.diff(when[known]) >= 0)


def test_builder_gathers_contacts_and_ends_piecewise():
    body = sl.samples(50, first_seq=1)
    builder = timeline.TimelineBuilder()
    mark = sl.contact(0, 1, 5000, T0, 30)
    builder.add(body[:20], mark)
    builder.add(body[20:], mark[:0])
    line = builder.build()
    assert line.contacts == [Contact(1, 5000, T0, 30, 0)]
    assert builder.last_uptime_ms == {1: int(body["uptime_ms"][-1])}


def chip_reading(seq, boot, uptime_ms, utc_ms):
    return sl.event(records.BOOT, seq, boot, uptime_ms, utc_ms=utc_ms, text="skidboard")


def test_a_clock_chip_set_by_a_host_dates_later_starts():
    """30 days after the contact that set it, the chip may be 150 ppm off: 389 s, and the seconds' edges."""
    month_ms = 30 * 86_400_000
    builder = timeline.TimelineBuilder(drift_ppm=100)
    builder.add(sl.samples(0), sl.contact(10, 1, 5000, T0, 30))
    builder.add(sl.samples(0), chip_reading(500, 7, 400, T0 + month_ms))
    line = builder.build()
    when, error = utc_of(line, 7, 400)
    assert abs(when - (T0 + month_ms)) <= 1 and 388_800 < error < 388_800 + 2000
    assert line.chip_readings == 1 and len(line.contacts) == 2


def test_a_clock_chip_nobody_set_dates_nothing():
    builder = timeline.TimelineBuilder()
    builder.add(sl.samples(0), chip_reading(3, 1, 400, T0))
    builder.add(sl.samples(0), sl.contact(10, 2, 5000, T0 + 86_400_000, 30))
    line = builder.build()
    assert line.chip_readings == 0 and len(line.contacts) == 1


def test_a_clock_chip_set_by_a_wrong_clock_falls_with_it():
    good = [sl.contact(k, 1, k * 3_600_000, T0 + k * 3_600_000) for k in range(1, 6)]
    wrong = sl.contact(6, 1, 6 * 3_600_000, T0 + 90 * 86_400_000)
    builder = timeline.TimelineBuilder()
    builder.add(sl.samples(0), np.concatenate([*good, wrong]))
    builder.add(sl.samples(0), chip_reading(7, 2, 400, T0 + 90 * 86_400_000 + 60_000))
    line = builder.build()
    assert [c.seq for c in line.rejected] == [6]
    assert line.chip_readings == 0
    assert utc_of(line, 2, 400)[1] == UNBOUNDED_MS


def test_boot_numbers_that_begin_anew_keep_their_order():
    """The board counts boots in 16 bits: 65535 is followed by 0."""
    builder = timeline.TimelineBuilder(drift_ppm=0)
    builder.add(sl.samples(0), sl.contact(10, 65534, 5000, T0))
    builder.add(sl.samples(0), sl.event(records.MARK, 20, 65535, 60_000))
    builder.add(sl.samples(0), sl.event(records.MARK, 30, 0, 60_000))
    builder.add(sl.samples(0), sl.contact(40, 1, 5000, T0 + 600_000))
    line = builder.build()
    assert line.rejected == []
    when, error = line.utc(np.array([65534, 65535, 0, 1]), np.array([5000, 60_000, 60_000, 5000], np.uint64))
    assert when[0] == T0 and when[3] == T0 + 600_000 and np.all(np.diff(when) > 0)
    # The two in the middle ran for a minute each, somewhere in these ten.
    assert error[1] <= 300_000 and error[2] <= 300_000


def test_a_boot_number_used_twice_dates_nothing():
    builder = timeline.TimelineBuilder(drift_ppm=0)
    for seq, boot, utc_ms in [(10, 1, T0), (20, 2, T0 + 10**6), (30, 3, T0 + 2 * 10**6), (99, 1, T0 + 10**9)]:
        builder.add(sl.samples(0), sl.contact(seq, boot, 5000, utc_ms))
    line = builder.build()
    assert utc_of(line, 1, 5000) == (UNKNOWN_UTC_MS, UNBOUNDED_MS)
    assert utc_of(line, 2, 5000) == (T0 + 10**6, 51) and utc_of(line, 3, 5000) == (T0 + 2 * 10**6, 51)
