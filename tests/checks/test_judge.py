"""Judging as a whole: in pieces as at once, codes against the table, settings by their digest."""

import json
import zlib
from pathlib import Path

import numpy as np
import pytest
import synthetic_log as sl
from record_maker import counted, verdict_on
from skidboard import records, settings
from skidwright.checks import (
    CATALOGUE,
    QUANTITIES,
    REJECTED,
    SUSPECT,
    VALID,
    CheckLimits,
    Judge,
    SettingsHistory,
    document,
    join,
    judge,
)
from skidwright.formulas import coincidence, iso4406
from skidwright.log import dataset
from skidwright.log.timeline import TimelineBuilder

LIMITS = CheckLimits(sensing_volume_ml=2.5e-6)


def mixed_log(n=400):
    """Two assets in turn, some samples wrong in some way."""
    rows = sl.samples(n, seed=3, assets=(4, 9), first_seq=2)
    rng = np.random.default_rng(4)
    rows["flow_min_ul_s"][rng.integers(0, n, 9)] = 500
    rows["water_min_ua"][rng.integers(0, n, 9)] = 0
    rows["counts"][50] = rows["counts"][48]
    rows["counts"][333] = [900_000, 300_000, 20_000, 9_000]
    rows["purge_ul"][100:110] = 20_000
    return sl.log_bytes(
        sl.merged(sl.event(records.BOOT, 0, 1, 10), sl.contact(1, 1, 1000, sl.START_UTC_MS), rows)
    )


def test_in_pieces_as_at_once(tmp_path):
    path = tmp_path / "x.skidlog"
    path.write_bytes(mixed_log())
    whole = dataset.decode(path.read_bytes())
    builder = TimelineBuilder()
    builder.add(whole.samples, whole.events)
    line = builder.build()
    at_once = judge(whole, LIMITS, None, line)
    for segments in (1, 3):
        one_by_one = Judge(LIMITS, None, line)
        parts = join([one_by_one.judge(piece) for piece in dataset.read_log(path, segments=segments)])
        for name in at_once.__dataclass_fields__:
            assert np.array_equal(getattr(parts, name), getattr(at_once, name), equal_nan=True), name
    assert at_once.hit("counts-stuck").tolist() == [i == 50 for i in range(400)]
    totals = at_once.totals()
    assert totals["counts"]["valid"] + totals["counts"]["suspect"] + totals["counts"]["rejected"] == 400
    assert totals["metal"]["not measured"] == 400


def test_the_worst_check_decides_and_notes_do_not():
    row = counted([54_000, 12_600, 1_140, 210], out_of_band_ms=100, calibration_due_day=0)
    row["flow_max_ul_s"] = 930
    verdicts = verdict_on(row)
    assert set(verdicts.reason_ids(0, notes=False)) == {"flow-band", "flow-unsteady"}
    assert {"calibration-unknown", "time-poor"} <= set(verdicts.reason_ids(0))
    assert verdicts.verdict[0].tolist()[:3] == [REJECTED, VALID, VALID]
    assert verdicts.check_totals()["flow-band"] == 1
    with pytest.raises(KeyError):
        verdicts.hit("no-such-check")


def test_codes_and_concentrations_against_the_table():
    """Published limits: ISO 4406:2021 table 1 as in tests/references/iso4406_table.json."""
    table = json.loads((Path(__file__).parent.parent / "references/iso4406_table.json").read_text())
    assert table, "the reference table is there"
    rows = sl.samples(500, seed=8, per_ml=(90_000.0, 20_000.0, 2_000.0, 300.0))
    verdicts = verdict_on(rows)
    raw = rows["counts"] / 30.0
    true, loss = coincidence.correct(raw, 2.5e-6)
    assert np.allclose(verdicts.per_ml, true, rtol=1e-9)
    assert np.allclose(verdicts.loss, loss, rtol=1e-9)
    assert np.array_equal(verdicts.codes, iso4406.scale_numbers(true))
    assert (verdicts.codes != rows["codes"]).any(), "the correction shows in some code"


def test_series_for_little_loss_agrees_with_the_iteration():
    for per_ml in (0.0, 0.03, 1.0, 250.0, 799.0, 801.0):
        rows = counted([round(per_ml * 30), 0, 0, 0])
        verdicts = verdict_on(rows)
        true, loss = coincidence.correct(rows["counts"][0] / 30.0, 2.5e-6)
        assert np.allclose(verdicts.per_ml[0], true, rtol=1e-12)
        assert np.allclose(verdicts.loss[0], loss, rtol=1e-9, atol=1e-15)


def test_beyond_the_models_limit_there_is_no_number():
    verdicts = verdict_on(counted([5_000_000, 120_000, 11_000, 2_000]))
    assert np.isnan(verdicts.per_ml[0, 0]) and verdicts.codes[0, 0] == iso4406.NOT_COUNTED
    assert verdicts.verdict[0, 0] == REJECTED


def test_water_percent_follows_the_scale_in_force():
    wide = {"water_low_cpct": -500, "water_high_cpct": 11_500}
    crc = settings.digest({**settings.defaults(), **wide})
    rows = np.concatenate([counted([54_000, 12_600, 1_140, 210]), counted([1000, 200, 20, 2])])
    rows["seq"], rows["water_mean_ua"] = [0, 1], 12_000
    rows["settings_crc"][1] = crc
    verdicts = verdict_on(rows, settings=SettingsHistory(wide))
    assert verdicts.water_percent.tolist() == pytest.approx([50.0, 55.0])
    rows["water_state"][1] = 2
    assert np.isnan(verdict_on(rows).water_percent[1])


def test_flow_band_of_the_settings_or_of_the_counter():
    narrow = {"flow_low_ul_s": 800, "flow_high_ul_s": 880, "flow_set_ul_s": 840}
    row = counted([54_000, 12_600, 1_140, 210])
    row["flow_min_ul_s"], row["flow_mean_ul_s"], row["flow_max_ul_s"] = 790, 833, 850
    row["settings_crc"] = settings.digest({**settings.defaults(), **narrow})
    assert not verdict_on(row).hit("flow-band")[0]
    assert verdict_on(row, settings=SettingsHistory(narrow)).hit("flow-band")[0]
    assert verdict_on(row, limits=CheckLimits(flow_low_ul_s=800)).hit("flow-band")[0]


def test_settings_are_followed_through_the_log():
    first = {**settings.defaults(), "rest_s": 30}
    second = {**first, "sample_volume_ul": 20_000, "settle_ms": 5000}
    crc = settings.digest(second)
    third = {**second, "assets": [1, 2]}
    events = np.concatenate(
        [
            sl.event(records.SETTING, 1, 1, 10, text="sample_volume_ul 30000 > 20000", a=crc),
            sl.event(records.SETTING, 2, 1, 10, text="settle_ms 8000 > 5000", a=crc),
            sl.event(records.SETTING, 3, 1, 20, text="assets [1] > [1, 2]", a=settings.digest(third)),
            sl.event(records.SETTING, 4, 1, 30, text="not of this form", a=1),
            sl.event(records.SETTING, 5, 1, 30, text="settle_ms 5000 > 6000", a=0xDEAD),
        ]
    )
    for known in (first, third):
        history = SettingsHistory(known)
        history.learn(events)
        for values in (first, second, third):
            assert history.of(settings.digest(values)) == values
    assert history.of(0xDEAD) is None
    stranger = SettingsHistory()
    stranger.learn(events)
    assert stranger.of(settings.digest(second)) is None


def in_pieces(kind, text, crc, seq=0):
    """Records of a text of 88 bytes each, as docs/log_format.md has them."""
    pieces = [text[at : at + 88] for at in range(0, len(text), 88)]
    rows = [
        sl.event(kind, seq + k, 1, 10, code=k, a=crc, b=len(text), text=piece)
        for k, piece in enumerate(pieces)
    ]
    return np.concatenate(rows)


def test_settings_that_the_log_holds_in_full_need_no_guess():
    values = {**settings.defaults(), "rest_s": 31, "water_low_cpct": -500}
    text = settings.canonical(values).decode()
    crc = zlib.crc32(text.encode())
    rows = in_pieces(records.SETTINGS, text, crc)
    history = SettingsHistory()
    assert history.of(crc) is None
    history.learn(rows)
    assert history.of(crc) == values
    for spoilt in (rows[1:], rows[:-1], np.delete(rows, 4)):
        history = SettingsHistory()
        history.learn(spoilt)
        assert history.of(crc) is None
        # A piece that was lost is made up for by the text's next telling.
        history.learn(np.concatenate([spoilt, rows[::-1]]))
        assert history.of(crc) == values
    # A text of the right length that is another one proves nothing.
    history = SettingsHistory()
    history.learn(in_pieces(records.SETTINGS, text.replace("rest_s=31", "rest_s=32"), crc))
    assert history.of(crc) is None


def test_settings_of_an_older_firmware_have_defaults_for_what_it_did_not_know():
    values = {name: value for name, value in settings.defaults().items() if name != "stop_also"}
    text = settings.canonical(values).decode()
    crc = zlib.crc32(text.encode())
    history = SettingsHistory()
    history.learn(in_pieces(records.SETTINGS, text, crc))
    assert history.of(crc) == settings.defaults()


@pytest.mark.parametrize(
    "text",
    ["rest_s=null", "assets=7", "assets=[1]\nrest_s=[[[", "rest_s=1\nrest_s=1", "rest_s = 1", "", "="],
)
def test_texts_that_are_no_settings(text):
    crc = zlib.crc32(text.encode())
    history = SettingsHistory()
    if text:
        history.learn(in_pieces(records.SETTINGS, text, crc))
    assert history.of(crc) is None


def test_a_change_of_any_length_is_followed():
    table = [[5, 206_000], [20, 202_000], [100, 200_000], [1000, 199_999]]
    oil = {"fluid_v40_dmm2_s": 460, "fluid_v100_dmm2_s": 68}
    first = {**settings.defaults(), **oil, "meter_table": table}
    second = {**first, "meter_table": [[6, 206_001], [21, 202_001], [101, 200_001], [1001, 199_998]]}
    text = f"meter_table {first['meter_table']} > {second['meter_table']}"
    assert len(text) > 88
    crc = settings.digest(second)
    history = SettingsHistory(first)
    history.learn(in_pieces(records.SETTING, text, crc))
    assert history.of(crc) == second


def test_limits_refuse_nonsense():
    with pytest.raises(ValueError, match="flow_spread_percent"):
        CheckLimits(flow_spread_percent=-1)
    with pytest.raises(ValueError, match="coincidence_percent"):
        CheckLimits(coincidence_percent="5")


def test_catalogue_is_complete_and_documented():
    ids = [check.id for check in CATALOGUE]
    assert len(set(ids)) == len(ids) <= 64
    page = document.markdown()
    for check in CATALOGUE:
        assert f"### {check.id}\n" in page
        assert check.looks_at and check.source and check.remedy
        assert 0 < check.quantities < 1 << len(QUANTITIES)
        assert set(check.limits) <= set(CheckLimits.__dataclass_fields__)
    used = {name for check in CATALOGUE for name in check.limits}
    used |= {"volume_uncertainty_percent", "loop_error_ua"}  # of stated uncertainties, not of a check
    assert used == set(CheckLimits.__dataclass_fields__), "every threshold belongs to a check"
    assert (Path(__file__).parents[2] / "docs/checks.md").read_text() == page


def test_an_empty_log_is_judged_as_empty():
    verdicts = judge(dataset.decode(b""))
    assert len(verdicts) == 0 and verdicts.totals()["counts"] == {
        "valid": 0,
        "suspect": 0,
        "rejected": 0,
        "not measured": 0,
        "cannot be checked": 0,
    }


def test_suspect_beats_valid_only():
    row = counted([700_000, 120_000, 11_000, 2_000])
    assert verdict_on(row).verdict[0, 0] == SUSPECT
