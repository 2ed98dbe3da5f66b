"""One good sample with chosen fields changed, for tests of single checks."""

import numpy as np
import synthetic_log as sl
from skidwright.checks import CheckLimits, SettingsHistory, judge
from skidwright.log import dataset
from skidwright.log.timeline import Contact, Timeline


def sample(**fields):
    """A good sample (array of one) with `fields` put in; lists go into array fields."""
    row = sl.samples(1, seed=5)
    for name, value in fields.items():
        row[name] = value
    return row


def counted(counts, volume_ul=30_000, **fields):
    """A sample with these counts, and codes, flags and sub-windows that fit them."""
    row = sample(volume_ul=volume_ul, meter_pulses=volume_ul // 200, **fields)
    row["counts"] = counts
    codes(row)
    for name, total in (("windows_4um", counts[0]), ("windows_14um", counts[2])):
        pulses = volume_ul // 200
        ends = [(k * pulses // 8) * total // pulses for k in range(9)]
        row[name] = np.minimum(np.diff(ends), 65535)
    return row


def codes(row):
    """Recompute codes and flags of a changed row, in place."""
    row["codes"] = sl.codes_of(row["counts"], row["volume_ul"])
    row["flags"] = (row["flags"] & 0xF0) | ((row["counts"] < 20) << np.arange(4)).sum()


def verdict_on(rows, limits=None, timeline=None, settings=None, marks=None):
    """Verdicts on sample rows as if they were a whole log."""
    data = dataset.decode(sl.log_bytes(rows))
    assert len(data) == len(rows)
    if marks is not None:
        data.marks[:] = marks
    return judge(
        data, limits or CheckLimits(sensing_volume_ml=2.5e-6), settings or SettingsHistory(), timeline
    )


def hits(rows, **kwargs):
    """Ids of the checks that spoke on the last of the rows."""
    return set(verdict_on(rows, **kwargs).reason_ids(-1))


def timeline_at(day):
    """A timeline on which uptime 0 of boot 1 is 00:00 UTC of a day counted from 2000-01-01."""
    return Timeline([Contact(1, 0, (10_957 + day) * 86_400_000, 0)], {1: 10**9})
