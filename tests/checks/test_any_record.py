"""Records of any content under a good CRC: they are judged without an error or a numerical warning."""

import io
import warnings

import numpy as np
import synthetic_log as sl
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from skidboard import records
from skidwright.checks import CheckLimits, SettingsHistory, judge
from skidwright.checks.catalogue import WORDS
from skidwright.log import dataset, layouts
from skidwright.papers import export

FIELDS = [name for name in layouts.SAMPLE.names if name not in ("kind", "layout", "seq", "crc")]


def judged(rows, limits):
    data = dataset.decode(sl.log_bytes(rows))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        verdicts = judge(data, limits, SettingsHistory())
    export.write_csv([(data, verdicts)], io.StringIO())
    return verdicts


@given(st.integers(0, 1 << 32), st.sampled_from([0.0, 2.5e-6, 1.0]))
@hypothesis_settings(max_examples=100, deadline=None)
def test_random_content(seed, sensing_volume_ml):
    rng = np.random.default_rng(seed)
    raw = rng.integers(0, 256, (40, records.RECORD_BYTES), dtype=np.uint8)
    rows = raw.view(layouts.SAMPLE).reshape(-1)
    rows["kind"], rows["layout"], rows["seq"] = records.SAMPLE, records.LAYOUT, np.arange(40)
    # some fields at their ends, where arithmetic breaks first
    for name in ("volume_ul", "meter_pulses", "count_ms", "flow_mean_ul_s", "window_shift", "purge_ul"):
        rows[name][rng.integers(0, 40, 8)] = 0
    rows["counts"][rng.integers(0, 40, 10)] = 0
    verdicts = judged(rows, CheckLimits(sensing_volume_ml=sensing_volume_ml))
    assert len(verdicts) == 40
    assert (verdicts.verdict[:, 0] != 0).all(), "noise is never a valid count"


@given(st.data())
@hypothesis_settings(max_examples=150, deadline=None)
def test_one_field_off(data):
    """A good sample with one field at any value: judged, and a verdict that is one of the five."""
    rows = sl.samples(3, seed=2)
    name = data.draw(
        st.sampled_from([n for n in layouts.SAMPLE.names if n not in ("kind", "layout", "seq", "crc")])
    )
    kind = layouts.SAMPLE[name].base
    limits = np.iinfo(kind)
    value = data.draw(
        st.one_of(st.sampled_from([limits.min, limits.max]), st.integers(limits.min, limits.max))
    )
    rows[name][1] = value
    verdicts = judged(rows, CheckLimits(sensing_volume_ml=2.5e-6))
    assert verdicts.verdict.max() < len(WORDS)
    assert verdicts.verdict[0, 0] == 0
