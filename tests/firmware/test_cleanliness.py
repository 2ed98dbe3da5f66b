"""Scale numbers as the board works them out, on both interpreters.

Limits: ISO 4406, table 1 (particles per mL, more than / up to and including); written down here
from the standard's table, apart from the firmware's own.
"""

from skidboard.cleanliness import ABOVE_TABLE, scale_number

UP_TO = (
    "0.01", "0.02", "0.04", "0.08", "0.16", "0.32", "0.64", "1.3", "2.5", "5", "10", "20", "40", "80", "160",
    "320", "640", "1300", "2500", "5000", "10000", "20000", "40000", "80000", "160000", "320000", "640000",
    "1300000", "2500000",
)  # fmt: skip


def _hundredths(text):
    whole, _, part = text.partition(".")
    return int(whole) * 100 + int((part + "00")[:2])


def test_each_limit_belongs_to_the_number_below_it():
    for number in range(29):
        count = _hundredths(UP_TO[number])  # particles in 100 mL
        assert scale_number(count, 100000) == number
        assert scale_number(count + 1, 100000) == number + 1 if number < 28 else ABOVE_TABLE


def test_no_particles_and_small_volumes():
    assert scale_number(0, 30000) == 0
    assert scale_number(1, 2000) == 6
    assert scale_number(1305, 1000) == 18
    assert scale_number(2550, 1000) == 19
    assert scale_number(102, 10000) == 11


def test_no_volume_is_refused():
    for volume_ul in (0, -5):
        try:
            scale_number(1, volume_ul)
        except ValueError:
            continue
        raise AssertionError("a volume of %d was taken" % volume_ul)
