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
    assert said.standing.word == "in order"
    assert said.title == "In order: clean enough and dry enough"
    assert said.standing.sureness.word == "high"
    assert said.latest_code == "18/16/13"
    assert said.latest_water == f"{data.samples.water_percent[-1]:.1f} %"


def test_dirtier_than_target_names_the_channel_and_by_how_much(make) -> None:
    # ISO 4406:2021 table 1: number 13 ends at 80 per mL; 320 per mL is number 15 and 4 times that limit
    said = headline.judge(make(per_ml=(1800.0, 600.0, 318.0, 30.0)))
    assert said.standing.word == "act"
    assert said.title == "Act: dirtier than its target but dry enough"
    assert any(
        ">=14 um(c): 2 scale numbers above target" in line and "4.0 times" in line for line in said.findings
    )
    assert any("wear" in line for line in said.actions)


def test_wet(make) -> None:
    data = make(water=60.0)
    said = headline.judge(data)
    assert said.standing.word == "act"
    assert said.title == "Act: clean enough but wetter than its limit"
    median = np.median(data.samples.water_percent[-3:])
    assert any(f"{median:.1f} % of saturation at 40 °C" in line for line in said.findings)


def test_water_just_above_its_limit_does_not_read_as_the_limit(make, change) -> None:
    """50.3 % above 50 %: rounded to "50 % against a limit of 50 %" nobody could follow it."""
    said = headline.judge(change(make(), water_percent=np.full(60, 50.3)))
    assert said.standing.word == "act" and said.latest_water == "50.3 %"
    assert any("50.3 % of saturation" in line and "limit of 50 %" in line for line in said.findings)


@pytest.mark.parametrize("verdict", [SUSPECT, REJECTED])
def test_samples_that_are_not_valid_say_nothing(make, change, verdict: int) -> None:
    data = make()
    data = change(data, counts_verdict=np.full(60, verdict, np.uint8))
    said = headline.judge(data)
    assert said.look == headline.UNKNOWN
    assert said.title == "Look soon: cleanliness unknown – dry enough"
    assert said.standing.sureness.word == "none"
    assert said.latest_code == ""


def test_newest_samples_invalid_take_from_sureness_but_not_from_the_judgement(make, change) -> None:
    data = make()
    verdict = np.zeros(60, np.uint8)
    verdict[-4:] = REJECTED
    counts = data.samples.counts.copy()
    counts[-4:] *= 100
    said = headline.judge(change(data, counts_verdict=verdict, counts=counts))
    assert "clean enough and dry enough" in said.title and said.standing.word == "look soon"
    assert said.standing.sureness.word == "low"
    assert any("newest 4 samples are not valid" in line for line in said.standing.sureness.reasons)


def test_one_outlier_among_three_does_not_decide(make, change) -> None:
    data = make()
    counts = data.samples.counts.copy()
    counts[-2] *= 16
    assert "clean enough" in headline.judge(change(data, counts=counts)).title
    counts[-1] *= 16
    assert headline.judge(change(data, counts=counts)).standing.word == "act"


def test_rising_within_target_is_said(make, change) -> None:
    data = make(target=(20, 18, 15), n=100, minutes=240)
    counts = data.samples.counts.astype(np.int64)
    counts[-12:] *= 2
    made = change(data, counts=counts.astype(np.uint32), per_ml=counts / 30.0)
    said = headline.judge(made)
    assert said.title == "Look soon: clean enough, though getting dirtier and dry enough"
    assert any("keeps rising" in line for line in said.actions)


def test_without_target_nothing_is_judged(make) -> None:
    said = headline.judge(make(target=None))
    assert said.look == headline.UNKNOWN
    assert "no target set" in said.title
    assert "Set a target" in said.actions[0]


def test_near_the_limit_the_counts_leave_it_open(make, change) -> None:
    # 14 um(c): target 13 ends at 80 per mL. 3 x 30 mL at 79.5 per mL are 7155 counts, +-2 % at 95 %: open.
    data = make(per_ml=(1800.0, 420.0, 40.0, 12.0))
    counts = data.samples.counts.copy()
    counts[-3:, 2] = 2385
    said = headline.judge(change(data, counts=counts))
    assert said.look == headline.CLOSE and "not proven clean enough" in said.title
    assert any(">=14 um(c)" in line and "leave open" in line for line in said.findings)
    assert said.standing.sureness.word == "fair"


@pytest.mark.parametrize(
    ("field", "value"), [("bad_records", 1), ("missing_records", 7), ("chain_ok", False)]
)
def test_a_damaged_log_takes_from_sureness(make, judge_again, field: str, value: int) -> None:
    data = make()
    data = dataclasses.replace(data, integrity=dataclasses.replace(data.integrity, **{field: value}))
    said = headline.judge(judge_again(data))
    assert said.standing.sureness.word == "fair"
    assert any("integrity" in line for line in said.standing.sureness.reasons)


def test_water_readings_that_failed_take_from_sureness(make, change) -> None:
    data = make()
    water = data.samples.water_verdict.copy()
    water[-5:] = REJECTED
    said = headline.judge(change(data, water_verdict=water))
    assert said.standing.sureness.word == "fair"
    assert "15 of the newest 20 have valid water." in said.standing.sureness.reasons


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


def test_calibration_over_or_unknown_takes_from_sureness(make, judge_again) -> None:
    def sure(**due) -> tuple[str, tuple[str, ...]]:
        said = headline.judge(judge_again(dataclasses.replace(make(), **due)))
        return said.standing.sureness.word, said.standing.sureness.reasons

    for due in (datetime.date(2026, 1, 1), None):
        assert sure(calibration_due=due)[0] == "fair"
    word, reasons = sure(meter_due=None)
    assert word == "fair" and any("flow meter was never calibrated" in line for line in reasons)


def test_no_samples_at_all(make) -> None:
    said = headline.judge(make(n=0))
    assert said.title == "Watch: nothing can be said yet about this fluid"


def at(data, judge_again, **more):
    """The same machine with other things known of it."""
    return judge_again(dataclasses.replace(data, asset=dataclasses.replace(data.asset, **more)))


def test_water_that_would_come_out_when_cold_is_said(make, change, judge_again) -> None:
    # By hand, log10 S = A - B/T: from 40 to 30 degC saturation grows by 10^(B (1/303.15 - 1/313.15)),
    # 1.462 and 1.499 for the published B of 1567 and 1670; from 40 to 8 degC by 3.71 and 4.04.
    data = change(make(water_limit=75.0), water_percent=np.full(60, 40.0))
    said = headline.judge(at(data, judge_again, coldest_c=8.0))
    assert said.standing.word == "act"
    assert "free water when cold" in said.title
    said = headline.judge(at(data, judge_again, coldest_c=30.0))
    assert said.standing.word == "in order"
    assert any("58.5 to 60.0 % of saturation" in line for line in said.findings), said.findings


@pytest.mark.parametrize("coldest_c", [8.0, 20.0])
def test_no_first_sentence_turns_round_twice(make, change, judge_again, coldest_c: float) -> None:
    data = change(
        make(per_ml=(9000.0, 2500.0, 300.0, 80.0), water_limit=60.0), water_percent=np.full(60, 40.0)
    )
    said = headline.judge(at(data, judge_again, coldest_c=coldest_c))
    assert said.standing.word == "act" and "dry enough while warm, but" in said.title
    assert said.title.count("but") == 1 and said.title.startswith("Act: dirtier than its target")


def test_water_without_a_coldest_temperature_says_where_it_is_judged(make, change) -> None:
    data = change(make(water_limit=60.0), water_percent=np.full(60, 40.0))
    assert any("nobody said how cold" in line for line in headline.judge(data).findings)


def test_the_fluids_own_constants_say_where_free_water_begins(make, change, judge_again) -> None:
    data = change(make(water_limit=60.0), water_percent=np.full(60, 40.0))
    said = headline.judge(at(data, judge_again, water_a=7.0, water_b=1500.0, coldest_c=8.0))
    # 0.4 S(40 degC) = S(t): 1/T = 1/313.15 - log10(0.4)/1500 gives 289.1 K
    assert any("Free water would begin below 16 °C (by this fluid's own" in line for line in said.findings)
    published = headline.judge(data)
    # with 1567 and 1670: 16.8 and 18.1 degC
    assert any("below 17 to 18 °C (by the constants published" in line for line in published.findings)
