"""The board's own judgement of a sample, worked cases; tests/checks/test_board_agrees.py has the host's."""

from skidboard import faults, sample_checks, settings
from skidboard.current_loop import LOOP_FAILED, LOOP_UNCERTAIN

NONE = [-1] * 4


class Range:
    """Lowest and highest of a quantity."""

    def __init__(self, lowest, highest):
        self.lowest = lowest
        self.highest = highest


class Counted:
    """A good sample of 30 mL in 36 s, as sample.py would leave it."""

    def __init__(self, **changes):
        self.counts = [3000, 964, 90, 29, 0, 0]
        self.faults = 0
        self.out_of_band_ms = 0
        self.purge_ul = 46000
        self.start_ms = 1000
        self.end_ms = 37000
        self.pulses = 150
        self.pulse_nl = 200000
        self.flow_ul_s = Range(820, 845)
        self.water_ua = Range(8000, 8100)
        self.temp_cdeg = Range(4000, 4100)
        self.water_state = 0
        self.fine = [375, 370, 380, 372, 378, 371, 379, 375]
        self.coarse = [11, 12, 10, 13, 11, 10, 12, 11]
        for name, value in changes.items():
            setattr(self, name, value)

    def windows(self, channel):
        """Parts of the count."""
        return self.coarse if channel else self.fine


def counts_ok(before=NONE, **changes):
    return sample_checks.counts_sound(Counted(**changes), before, settings.defaults())


def water_ok(**changes):
    return sample_checks.water_sound(Counted(**changes), settings.defaults())


def test_whole_square_roots():
    for n in list(range(200)) + [2**40 - 1, 2**40, 2**40 + 1, 10**17]:
        root = sample_checks.isqrt(n)
        assert root * root <= n < (root + 1) * (root + 1)


def test_a_good_sample():
    assert counts_ok() and water_ok()


def test_faults():
    for code in range(20):
        ok = counts_ok(faults=1 << code)
        harmless = (
            faults.DUTY_AT_LIMIT, faults.WATER_LOOP, faults.TEMP_SENSOR, faults.STORAGE, faults.LOG_OVERWROTE,
            faults.WATCHDOG, faults.LOOP_UNSTEADY,
        )  # fmt: skip
        # What nobody knows yet speaks against a sample too.
        assert ok == (code in harmless)
    for code in (faults.WATER_LOOP, faults.LOOP_UNSTEADY, faults.SETTINGS_BAD):
        assert not water_ok(faults=1 << code)
    assert water_ok(faults=1 << faults.BAND_NOT_REACHED)


def test_flow():
    assert not counts_ok(out_of_band_ms=100)
    # Band 667 to 1000, set 833: 3 % of it is kept from the edges, and the spread is 6 % of the mean.
    assert not counts_ok(flow_ul_s=Range(691, 700))
    assert not counts_ok(flow_ul_s=Range(960, 976))
    assert not counts_ok(flow_ul_s=Range(800, 851)) and counts_ok(flow_ul_s=Range(800, 849))
    assert not counts_ok(end_ms=1000)


def test_channels():
    assert not counts_ok(counts=[0, 0, 0, 0, 0, 0])
    assert not counts_ok(counts=[3000, 3001, 90, 29, 0, 0])
    assert not counts_ok(counts=[3000, 0, 0, 0, 0, 0])
    assert not counts_ok(counts=[3000, 2900, 90, 29, 0, 0])
    assert not counts_ok(counts=[90000, 964, 90, 29, 0, 0])
    assert not counts_ok(before=[3000, 964, 90, 29])
    assert counts_ok(before=[3000, 964, 90, 30])


def test_what_the_sample_before_left():
    # After three line volumes 1/36 is left, 1/35 of the step to what is counted; a tenth of 90 and three
    # times the root of 91 may be: 35 times 36, and 90 more, is 1350.
    assert counts_ok(before=[3000, 964, 1300, 30]) and not counts_ok(before=[3000, 964, 1500, 30])
    # Purged twice as much, four times the step: 143 times 36.
    assert counts_ok(before=[3000, 964, 5200, 30], purge_ul=91000)
    assert not counts_ok(before=[3000, 964, 5400, 30], purge_ul=91000)


def test_purged_less_than_three_line_volumes():
    assert counts_ok(purge_ul=45000) and not counts_ok(purge_ul=44000)


def test_air_and_bursts():
    assert not counts_ok(counts=[3000, 964, 90, 75, 0, 0])
    assert counts_ok(counts=[3000, 964, 90, 40, 0, 0])
    assert not counts_ok(fine=[375, 370, 380, 372, 378, 371, 479, 275])
    assert not counts_ok(coarse=[1, 2, 1, 3, 1, 60, 12, 10])


def test_water():
    assert not water_ok(water_state=LOOP_UNCERTAIN) and counts_ok(water_state=LOOP_UNCERTAIN)
    assert not water_ok(water_ua=Range(8000, 8321)) and water_ok(water_ua=Range(8000, 8320))
    assert not water_ok(temp_cdeg=Range(4000, 4501)) and water_ok(temp_cdeg=Range(4000, 4500))
    # 90 % of saturation: droplets may be among the particles.
    assert not counts_ok(water_ua=Range(18000, 18400)) and counts_ok(water_ua=Range(17000, 18300))
    assert counts_ok(water_ua=Range(18000, 18400), water_state=LOOP_FAILED)
    assert sample_checks.percent_at(settings.defaults(), 7200) == 2000
