"""Whatever happens to a log's bytes, decoding raises nothing and invents no record."""

import numpy as np
import pytest
import synthetic_log as sl
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from skidboard import records
from skidwright.checks import REJECTED, VALID, judge
from skidwright.log import blocks, dataset

SEGMENT = records.SEGMENT_BYTES


@pytest.fixture(scope="module")
def log():
    return sl.good_log(150, contact_every=20)


def raw_rows(data):
    return {row.tobytes() for row in data.samples} | {row.tobytes() for row in data.events}


damage = st.tuples(
    st.sampled_from(["cut", "insert", "overwrite", "swap", "erase"]),
    st.integers(0, 1 << 30),
    st.binary(min_size=1, max_size=300),
)


def damaged_by(log, changes):
    """A log after some accidents."""
    found = bytearray(log)
    for kind, where, what in changes:
        where %= len(found) + 1
        if kind == "cut":
            del found[where : where + 7 * len(what)]
        elif kind == "insert":
            found[where:where] = what
        elif kind == "overwrite":
            found[where : where + len(what)] = what
        elif kind == "erase":
            found[where : where + 13 * len(what)] = b"\xff" * len(found[where : where + 13 * len(what)])
        else:
            first, second = where // SEGMENT * SEGMENT, len(what) % 5 * SEGMENT
            one, other = found[first : first + SEGMENT], found[second : second + SEGMENT]
            if len(one) == len(other):
                found[first : first + SEGMENT], found[second : second + SEGMENT] = other, one
    return bytes(found)


@given(st.lists(damage, max_size=4), st.integers(1, 4))
@hypothesis_settings(max_examples=200, deadline=None)
def test_nothing_is_invented_and_nothing_raised(log, changes, segments):
    original = raw_rows(dataset.decode(log))
    found = damaged_by(log, changes)
    data = dataset.decode(found, sl.DEVICE, sl.LOG)
    assert raw_rows(data) <= original
    if found != log and not log.startswith(found):
        assert not data.report.ok, "damage does not go unseen"
    dataset.chain_of(blocks.Source(found))
    judge(data)


@given(st.binary(max_size=3 * SEGMENT))
@hypothesis_settings(max_examples=60, deadline=None)
def test_noise_holds_no_record(noise):
    data = dataset.decode(noise)
    assert len(data) == 0 and len(data.events) == 0
    assert data.report.ok == (len(noise) == 0)


def test_a_repeated_sample_is_rejected_and_its_first_copy_is_not(log):
    data = dataset.decode(log + log[SEGMENT : 2 * SEGMENT])
    verdicts = judge(data)
    again = data.sample_place // records.SLOTS >= 6
    assert again.any()
    assert (verdicts.verdict[again, 0] == REJECTED).all()
    assert (verdicts.verdict[~again, 0] == VALID).all()
    assert np.array_equal(verdicts.hit("record-repeated"), again)
