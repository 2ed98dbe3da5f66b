"""What the first lines of a report say, for states whose right answer is plain."""

import dataclasses
import datetime

import numpy as np
import pytest
from skidwright.report import headline
from skidwright.report.model import REJECTED, SUSPECT, Happening


def test_clean_and_dry(make) -> None:
    data = make()
    said = headline.judge(data)
    assert said.grade == headline.GOOD
    assert said.title == "Clean enough and dry enough"
    assert said.sureness == "high"
    assert said.latest_code == "18/16/13"
    assert said.latest_water == f"{data.samples.water_percent[-1]:.1f} %"


def test_dirtier_than_target_names_the_channel_and_by_how_much(make) -> None:
    # ISO 4406:2021 table 1: number 13 ends at 80 per mL; 320 per mL is number 15 and 4 times that limit
    said = headline.judge(make(per_ml=(1800.0, 600.0, 318.0, 30.0)))
    assert said.grade == headline.BAD
    assert said.title == "Dirtier than its target but dry enough"
    assert any(
        "≥ 14 µm(c): 2 scale numbers above target" in line and "4.0 times" in line for line in said.findings
    )
    assert any("wear" in line for line in said.actions)


def test_wet(make) -> None:
    data = make(water=60.0)
    said = headline.judge(data)
    assert said.grade == headline.BAD
    assert said.title == "Clean enough but wetter than its limit"
    median = np.median(data.samples.water_percent[-3:])
    assert any(f"{median:.1f} % of saturation at 40 °C" in line for line in said.findings)


def test_water_just_above_its_limit_does_not_read_as_the_limit(make, change) -> None:
    """50.3 % above 50 %: rounded to "50 % against a limit of 50 %" nobody could follow it."""
    said = headline.judge(change(make(), water_percent=np.full(60, 50.3)))
    assert said.grade == headline.BAD and said.latest_water == "50.3 %"
    assert any("50.3 % of saturation" in line and "limit of 50 %" in line for line in said.findings)


def test_close_to_the_water_limit(make) -> None:
    said = headline.judge(make(water=44.0))
    assert said.grade == headline.CLOSE
    assert "close to its limit" in said.title


@pytest.mark.parametrize("verdict", [SUSPECT, REJECTED])
def test_samples_that_are_not_valid_say_nothing(make, change, verdict: int) -> None:
    data = make()
    data = change(data, counts_verdict=np.full(60, verdict, np.uint8))
    said = headline.judge(data)
    assert said.grade == headline.UNKNOWN
    assert said.title == "Cleanliness unknown – dry enough"
    assert said.sureness == "none"
    assert said.latest_code == ""


def test_newest_samples_invalid_take_from_sureness_but_not_from_the_judgement(make, change) -> None:
    data = make()
    verdict = np.zeros(60, np.uint8)
    verdict[-4:] = REJECTED
    code = data.samples.code.copy()
    code[-4:] = 25
    said = headline.judge(change(data, counts_verdict=verdict, code=code))
    assert said.grade == headline.GOOD
    assert said.sureness == "low"
    assert any("newest 4 samples are not valid" in line for line in said.sureness_reasons)


def test_one_outlier_among_three_does_not_decide(make, change) -> None:
    data = make()
    code = data.samples.code.copy()
    code[-2] += 4
    assert headline.judge(change(data, code=code)).grade == headline.GOOD
    code[-1] += 4
    assert headline.judge(change(data, code=code)).grade == headline.BAD


def test_rising_within_target_is_said(make, change) -> None:
    data = make(target=(20, 18, 15))
    code = data.samples.code.copy()
    code[-3:] += 1
    said = headline.judge(change(data, code=code))
    assert said.grade == headline.CLOSE
    assert said.title == "Clean enough, though getting dirtier and dry enough"
    assert any("rising" in line for line in said.findings)


def test_without_target_nothing_is_judged(make) -> None:
    said = headline.judge(make(target=None))
    assert said.grade == headline.UNKNOWN
    assert "no target set" in said.title
    assert "Set a target" in said.actions[0]


def test_near_the_limit_counting_leaves_it_open(make, change) -> None:
    # 14 um(c): target 13 ends at 80 per mL. 3 x 30 mL at 79.5 per mL are 7155 counts, +-2 % at 95 %: open.
    data = make(per_ml=(1800.0, 420.0, 40.0, 12.0))
    counts = data.samples.counts.copy()
    counts[-3:, 2] = 2385
    said = headline.judge(change(data, counts=counts))
    assert said.grade == headline.CLOSE
    assert any("≥ 14 µm(c)" in line and "95 %" in line for line in said.findings)


@pytest.mark.parametrize(
    ("field", "value"), [("bad_records", 1), ("missing_records", 7), ("chain_ok", False)]
)
def test_a_damaged_log_takes_from_sureness(make, field: str, value: int) -> None:
    data = make()
    data = dataclasses.replace(data, integrity=dataclasses.replace(data.integrity, **{field: value}))
    said = headline.judge(data)
    assert said.sureness == "fair"
    assert any("integrity" in line for line in said.sureness_reasons)


def test_water_readings_that_failed_take_from_sureness(make, change) -> None:
    data = make()
    water = data.samples.water_verdict.copy()
    water[-5:] = REJECTED
    said = headline.judge(change(data, water_verdict=water))
    assert said.sureness == "fair"
    assert "15 of the newest 20 have valid water." in said.sureness_reasons


def test_a_stretch_that_has_ended_is_told_first(make) -> None:
    happening = Happening(
        np.datetime64("2026-03-03T06:36", "ms"), "2026-03-03T06:36:00Z", "A", "dirtier than target",
        "7 valid samples, until 2026-03-03T10:01:03Z, worst 21/20/16 (target 19/17/14)",
    )  # fmt: skip
    lasting = dataclasses.replace(happening, detail="7 valid samples, still so at the end, worst 21/20/16")
    said = headline.judge(dataclasses.replace(make(), happenings=[happening]))
    assert said.findings[-1].startswith(
        "It was dirtier than target from 2026-03-03T06:36:00Z: 7 valid samples"
    )
    assert not any(
        "It was" in f for f in headline.judge(dataclasses.replace(make(), happenings=[lasting])).findings
    )


def test_calibration_over_or_unknown_takes_from_sureness(make) -> None:
    over = dataclasses.replace(make(), calibration_due=datetime.date(2026, 1, 1))
    unknown = dataclasses.replace(make(), calibration_due=None)
    assert headline.judge(over).sureness == headline.judge(unknown).sureness == "fair"
    never = headline.judge(dataclasses.replace(make(), meter_due=None))
    assert never.sureness == "fair"
    assert any("flow meter was never calibrated" in line for line in never.sureness_reasons)


def test_no_samples_at_all(make) -> None:
    said = headline.judge(make(n=0))
    assert said.title == "Nothing can be said yet about this fluid"


def test_water_that_would_come_out_when_cold_is_said(make, change) -> None:
    # By hand, log10 S = A - B/T: from 40 to 30 degC saturation grows by 10^(B (1/303.15 - 1/313.15)),
    # 1.462 and 1.499 for the published B of 1567 and 1670; from 40 to 8 degC by 3.71 and 4.04.
    data = change(make(water_limit=60.0), water_percent=np.full(60, 40.0))
    cold = dataclasses.replace(data, asset=dataclasses.replace(data.asset, coldest_c=8.0))
    said = headline.judge(cold)
    assert said.grade == headline.CLOSE
    assert "free water is likely when cold" in said.title
    cool = dataclasses.replace(data, asset=dataclasses.replace(data.asset, coldest_c=30.0))
    said = headline.judge(cool)
    assert said.grade == headline.GOOD
    assert any("58 to 60 %" in line for line in said.findings), said.findings


@pytest.mark.parametrize("coldest_c", [8.0, 20.0])
def test_no_first_sentence_turns_round_twice(make, change, coldest_c: float) -> None:
    data = change(
        make(per_ml=(9000.0, 2500.0, 300.0, 80.0), water_limit=60.0), water_percent=np.full(60, 40.0)
    )
    cold = dataclasses.replace(data, asset=dataclasses.replace(data.asset, coldest_c=coldest_c))
    said = headline.judge(cold)
    assert said.grade == headline.BAD and "dry enough while warm, but" in said.title
    assert said.title.count("but") == 1 and "; dry enough" in said.title


def test_water_without_a_coldest_temperature_says_where_it_is_judged(make, change) -> None:
    data = change(make(water_limit=60.0), water_percent=np.full(60, 40.0))
    data = dataclasses.replace(data, asset=dataclasses.replace(data.asset, coldest_c=None))
    assert any("nobody said how cold" in line for line in headline.judge(data).findings)


def test_the_fluids_own_constants_say_where_free_water_begins(make, change) -> None:
    data = change(make(water_limit=60.0), water_percent=np.full(60, 40.0))
    asset = dataclasses.replace(data.asset, water_a=7.0, water_b=1500.0, coldest_c=8.0)
    said = headline.judge(dataclasses.replace(data, asset=asset))
    # 0.4 S(40 degC) = S(t): 1/T = 1/313.15 - log10(0.4)/1500 gives 289.1 K
    assert any("Free water would begin below 16 °C (by this fluid's own" in line for line in said.findings)
    published = headline.judge(data)
    # with 1567 and 1670: 16.8 and 18.1 degC
    assert any("below 17 to 18 °C (by the constants published" in line for line in published.findings)
