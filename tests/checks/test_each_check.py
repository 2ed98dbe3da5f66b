"""For each check of the catalogue a record that passes and one that fails."""

import numpy as np
import pytest
import synthetic_log as sl
from record_maker import codes, counted, hits, sample, timeline_at
from skidboard import faults, records, settings
from skidwright.checks import CATALOGUE, CheckLimits, SettingsHistory, flow
from skidwright.log import dataset, layouts

GOOD = counted([54_000, 12_600, 1_140, 210])
LIMITS = CheckLimits(sensing_volume_ml=2.5e-6)
PUMP = CheckLimits(sensing_volume_ml=2.5e-6, pump_full_ul_s=3_802)


def changed(**fields):
    row = GOOD.copy()
    for name, value in fields.items():
        row[name] = value
    return row


def fault(number):
    return changed(faults=1 << number)


def bursty(name, total_of):
    """The same sum in the sub-windows, but half of it in one of them."""
    row = GOOD.copy()
    total = int(row["counts"][0, total_of])
    row[name] = [total - 7 * (total // 14)] + [total // 14] * 7
    return row


def two(first, second):
    """Two records one after the other; the second is judged."""
    later = second.copy()
    later["seq"], later["uptime_ms"] = 1, first["uptime_ms"] + 600_000
    return np.concatenate([first, later])


def due_on(name, due_day, passes_day, fails_day, fails_with=None):
    """Samples of two days under settings in which a calibration is due on a day (or, failing, on another)."""

    def case(due, day):
        given = {name: due}
        row = changed(settings_crc=settings.digest({**settings.defaults(), **given}))
        return row, {"timeline": timeline_at(day), "settings": SettingsHistory(given)}

    return case(due_day, passes_day), case(due_day if fails_with is None else fails_with, fails_day)


DIRTY = counted([2_000_000, 500_000, 45_000, 8_000])

# id: (passes, fails), each a row, rows, or (rows, keyword arguments for the judgement)
CASES = {
    "segment-foreign": ((GOOD, {"marks": 0}), (GOOD, {"marks": dataset.FOREIGN})),
    "record-impossible": ((GOOD, {"marks": 0}), (GOOD, {"marks": layouts.IMPOSSIBLE})),
    "record-repeated": ((GOOD, {"marks": 0}), (GOOD, {"marks": dataset.REPEATED})),
    "segment-chain": ((GOOD, {"marks": 0}), (GOOD, {"marks": dataset.CHAIN_BROKEN})),
    "segment-header": ((GOOD, {"marks": 0}), (GOOD, {"marks": dataset.HEADER_DAMAGED})),
    "sequence-gap": ((GOOD, {"marks": 0}), (GOOD, {"marks": dataset.GAP_BEFORE})),
    "settings-unknown": (GOOD, changed(settings_crc=0xDEADBEEF)),
    "time-poor": ((GOOD, {"timeline": timeline_at(9_500)}), (GOOD, {"timeline": None})),
    # 2027-03-01 is day 9921; the day itself still counts
    "calibration": (
        (changed(calibration_due_day=9921), {"timeline": timeline_at(9921)}),
        (changed(calibration_due_day=9921), {"timeline": timeline_at(9922)}),
    ),
    "calibration-unknown": (GOOD, changed(calibration_due_day=0)),
    "meter-calibration": due_on("meter_due_day", 9921, 9921, 9922),
    "meter-uncalibrated": due_on("meter_due_day", 9921, 9921, 9921, fails_with=0),
    "loops-calibration": due_on("loops_due_day", 9921, 9921, 9922),
    "loops-uncalibrated": due_on("loops_due_day", 9921, 9921, 9921, fails_with=0),
    "board-code": (GOOD, changed(codes=[18, 16, 12, 11])),
    "window-sum": (GOOD, changed(windows_14um=GOOD["windows_14um"] + 1)),
    "settings-default": (fault(faults.WATCHDOG), fault(faults.SETTINGS_BAD)),
    "storage-fault": (fault(faults.WATCHDOG), fault(faults.STORAGE)),
    "flow-fault": (fault(faults.WATCHDOG), fault(faults.NO_FLOW)),
    "code-alone": (GOOD, changed(flags=GOOD["flags"] | records.FLAG_CODE)),
    "counter-fault": (fault(faults.WATER_LOOP), fault(faults.COUNTER)),
    "water-fault": (fault(faults.TEMP_SENSOR), fault(faults.WATER_LOOP)),
    "temperature-fault": (fault(faults.WATER_LOOP), fault(faults.TEMP_SENSOR)),
    "water-unsteady": (fault(faults.WATCHDOG), fault(faults.LOOP_UNSTEADY)),
    "flow-band": (changed(flow_min_ul_s=800), changed(flow_min_ul_s=660)),
    "flow-unsteady": (
        changed(flow_min_ul_s=815, flow_max_ul_s=860),
        changed(flow_min_ul_s=790, flow_max_ul_s=860),
    ),
    "volume-none": (GOOD, changed(volume_ul=0)),
    "volume-short": (GOOD, changed(volume_ul=29_000)),
    "volume-differs": (GOOD, changed(meter_pulses=140)),
    "purge-short": (changed(purge_ul=50_000), changed(purge_ul=40_000)),
    "purge-carryover": (two(DIRTY, GOOD), two(DIRTY, changed(purge_ul=46_000))),
    # a pump of 3.8 mL/s that stands up to 40 of 1000: at 242 of 1000 it delivers 800 uL/s
    "meter-pump": (
        (changed(flow_mean_ul_s=840, duty_mean_permille=242), {"limits": PUMP}),
        (changed(flow_mean_ul_s=890, duty_mean_permille=242), {"limits": PUMP}),
    ),
    # VG 32 at 60 degC has 16 mm2/s: 21 um dust sinks 31 um/s; of 6 mm bore 5 mL lose 4 %, 10 mL 8 %
    "settling": (
        (changed(temp_max_cdeg=6000), {"limits": CheckLimits(line_level_ul=5_000, line_bore_mm=6)}),
        (changed(temp_max_cdeg=6000), {"limits": CheckLimits(line_level_ul=10_000, line_bore_mm=6)}),
    ),
    "duty-limit": (changed(duty_max_permille=949), changed(duty_max_permille=950)),
    "duty-fixed": (GOOD, changed(flags=16)),
    "channel-order": (GOOD, counted([54_000, 12_600, 1_140, 1_141])),
    "counts-none": (counted([1, 0, 0, 0]), counted([0, 0, 0, 0])),
    "channel-dead": (counted([54_000, 300, 0, 0]), counted([54_000, 0, 0, 0])),
    "channel-equal": (counted([54_000, 12_600, 12_599, 210]), counted([54_000, 12_600, 12_600, 210])),
    "counts-stuck": (two(GOOD, counted([54_000, 12_600, 1_141, 210])), two(GOOD, GOOD)),
    "size-slope": (counted([54_000, 40_000, 1_140, 210]), counted([54_000, 52_000, 1_140, 210])),
    "coincidence": (counted([480_000, 120_000, 11_000, 2_000]), counted([700_000, 120_000, 11_000, 2_000])),
    # 1/(e v) with v = 2.5 nL is 147,152 per mL: 4,414,553 in 30 mL
    "coincidence-beyond": (
        counted([4_414_500, 120_000, 11_000, 2_000]),
        counted([4_414_600, 120_000, 11_000, 2_000]),
    ),
    "coincidence-unknown": (
        (GOOD, {"limits": LIMITS}),
        (GOOD, {"limits": CheckLimits()}),
    ),
    "metal-excess": (changed(metal=[200, 10]), changed(metal=[400, 0])),
    "bursts-4um": (GOOD, bursty("windows_4um", 0)),
    "bursts-14um": (GOOD, bursty("windows_14um", 2)),
    "air": (counted([54_000, 12_600, 1_140, 400]), counted([56_000, 14_600, 3_140, 1_970])),
    # 300 more above 21 um(c) and 310 more above 14 are bubbles, 300 and 900 are coarse dirt
    "air-more": (
        two(GOOD, counted([54_900, 13_500, 2_040, 510])),
        two(GOOD, counted([54_310, 12_910, 1_450, 510])),
    ),
    "water-loop": (changed(water_min_ua=3601), changed(water_min_ua=3600)),
    "water-uncertain": (changed(water_min_ua=3800), changed(water_min_ua=3799)),
    "water-drift": (changed(water_max_ua=7300), changed(water_max_ua=7800)),
    # 90 % of saturation at 4-20 mA for 0-100 % is 18.4 mA, 98 % is 19.68 mA
    "droplets": (changed(water_max_ua=18_399), changed(water_max_ua=18_400)),
    "free-water": (changed(water_max_ua=19_679), changed(water_max_ua=19_680)),
    "temperature-sensor": (changed(temp_state=1), changed(temp_state=2)),
    "temperature-uncertain": (changed(temp_state=0), changed(temp_state=1)),
    "temperature-range": (changed(temp_min_cdeg=-3000), changed(temp_min_cdeg=-3001)),
    "temperature-span": (changed(temp_min_cdeg=4200), changed(temp_min_cdeg=3900)),
}


def spoken(case):
    rows, kwargs = case if isinstance(case, tuple) else (case, {})
    return hits(rows, **kwargs)


@pytest.mark.parametrize("check", CATALOGUE, ids=lambda check: check.id)
def test_passes_and_fails(check):
    passes, fails = CASES[check.id]
    assert check.id not in spoken(passes)
    assert check.id in spoken(fails)


def test_every_case_has_its_check():
    assert set(CASES) == {check.id for check in CATALOGUE}


# What the defaults leave open, for nobody can calibrate a board beforehand.
UNCALIBRATED = {"meter-uncalibrated", "loops-uncalibrated"}


def test_a_good_record_passes_everything_but_the_clock():
    assert spoken(GOOD) == {"time-poor"} | UNCALIBRATED
    assert spoken((GOOD, {"timeline": timeline_at(9_500)})) == UNCALIBRATED


def test_few_particles_are_flagged_by_the_board():
    row = counted([54_000, 12_600, 1_140, 19])
    assert row["flags"] == 8
    assert "board-code" not in spoken(row)
    row["flags"] = 0
    assert "board-code" in spoken(row)


def test_code_at_the_tables_limit():
    # ISO 4406:2021, table 1: 1300 per mL is the last of scale number 17, one particle more is 18
    row = counted([39_000, 9_000, 1_000, 200])
    assert row["codes"][0, 0] == 17 and "board-code" not in spoken(row)
    row["counts"][0, 0] += 1
    assert "board-code" in spoken(row)
    codes(row)
    assert row["codes"][0, 0] == 18 and "board-code" not in spoken(row)


def test_shifted_windows_are_read_as_shifted():
    row = counted([3_000_000, 500_000, 40_000, 6_000])
    total, shift = 3_000_000, 3
    row["windows_4um"] = [n >> shift for n in np.diff([total * (k * 150 // 8) // 150 for k in range(9)])]
    row["window_shift"] = shift
    assert not {"window-sum", "bursts-4um"} & spoken(row)


def test_a_count_that_took_no_time_gives_no_volume():
    assert "volume-none" in spoken(changed(count_ms=0)) and "volume-none" not in spoken(GOOD)


def test_a_flow_out_of_its_band_for_1_ms_is_out_of_it():
    assert "flow-band" in spoken(changed(out_of_band_ms=1)) and "flow-band" not in spoken(GOOD)


def test_of_a_narrow_band_the_middle_half_counts_as_inside():
    # 800 to 840 uL/s: the margins of 3 % of 833 uL/s would leave nothing; the middle half is 810 to 830.
    narrow = CheckLimits(flow_low_ul_s=800, flow_high_ul_s=840)
    for low, high, outside in ((810, 830, False), (809, 830, True), (810, 831, True)):
        row = changed(flow_min_ul_s=low, flow_max_ul_s=high)
        assert ("flow-band" in spoken((row, {"limits": narrow}))) == outside


def test_a_flow_of_65535_or_more_is_not_held_against_the_volume():
    assert "volume-differs" not in spoken(changed(flow_mean_ul_s=65_535))
    assert "volume-differs" in spoken(changed(flow_mean_ul_s=65_534))


def test_the_thinnest_oil_has_the_two_viscosities_that_were_given():
    # ASTM D341 draws its line through them.
    oil = flow._thinnest_oil(32.0, 5.4)
    assert np.interp([40, 100], flow._TABLE_C, oil) == pytest.approx([32.0, 5.4], rel=1e-3)


def test_thermistor_or_loop_makes_no_difference_to_a_missing_sensor():
    from record_maker import verdict_on
    from skidboard import settings
    from skidwright.checks import ABSENT, SettingsHistory

    none = {"temp_source": 0}
    row = sample(temp_state=2, settings_crc=settings.digest({**settings.defaults(), **none}))
    verdicts = verdict_on(row, settings=SettingsHistory(none))
    assert verdicts.verdict[0, 2] == ABSENT
    assert verdict_on(row).verdict[0, 2] != ABSENT, "unknown settings prove nothing"


def test_synthetic_samples_are_valid():
    from record_maker import verdict_on

    verdicts = verdict_on(sl.samples(3000, seed=9), timeline=timeline_at(9_500))
    assert (verdicts.verdict[:, :3] == 0).mean() > 0.999
