"""How soon a person is needed and why, on invented assets whose state is known."""

import dataclasses

import numpy as np
import pytest
from machine_years import START, ramp, step, years
from skidwright.config import Config, Judging
from skidwright.judgement.changes import Change
from skidwright.judgement.points import Points
from skidwright.judgement.series import Series
from skidwright.register.model import AssetRecord
from skidwright.standing import standing, urgency, words
from skidwright.standing.goals import ACT, LOOK, WATCH, goals_of

CLEAN = AssetRecord(1, "clean", target=(20, 18, 15), water_limit_percent=90.0, coldest_c=40.0)
END = START + np.timedelta64(120, "D")  # 2026-05-01


def judged(number=1, seed=1, verdict=None, dues=None, asset=CLEAN, now=END, **how):
    made = years(np.random.default_rng(seed), **{"days": 120, "every_h": 4.0, "wander": 0.05, **how})
    if verdict is not None:
        marks = made.counts_verdict.copy()
        marks[verdict] = 2
        made = dataclasses.replace(made, counts_verdict=marks)
    record = dataclasses.replace(asset, number=number, name=f"asset {number}")
    return standing.stand(made, record, goals_of(record, Config()), now, dues=dues)


def texts(one):
    return [words.reason(reason) for reason in one.reasons]


def test_nothing_to_say_of_a_clean_asset() -> None:
    one = judged()
    assert (one.word, one.reasons) == ("in order", ())
    assert words.title(one) == "In order: clean enough and dry enough"


def test_worst_first() -> None:
    dirty = dataclasses.replace(CLEAN, target=(17, 15, 12))
    dirtier = dataclasses.replace(CLEAN, target=(15, 13, 10))
    new = AssetRecord(9, "new")
    found = standing.ranked(
        [
            judged(1), judged(2, asset=dirty), judged(3, rise=step(117, 1.0)), judged(4, asset=dirtier),
            standing.never_sampled(new, goals_of(new, Config()), END),
        ]
    )  # fmt: skip
    assert [one.asset.number for one in found] == [4, 2, 3, 9, 1]
    assert [one.word for one in found] == ["act", "act", "look soon", "watch", "in order"]
    # 1800 per mL is 18 (ISO 4406:2021, table 1), three above 15
    assert "3 scale numbers above it" in texts(found[0])[0]
    assert found[3].judgement is None


def test_a_rise_lately_is_seen_by_chart_and_a_step_by_its_day() -> None:
    assert any(
        "above what is usual for it since 2026-04-2" in text for text in texts(judged(rise=step(117, 1.0)))
    )
    lines = texts(judged(rise=step(100, 1.0)))
    # day 100 from 2026-01-01 is 2026-04-11
    assert any("rose by a step on 2026-04-11" in text and "+1.0 scale numbers" in text for text in lines)


def test_a_limit_ahead_names_an_interval_that_holds_the_day() -> None:
    """From 1800 per mL to the 10000 per mL of 20 are 2.47 doublings: at 1 in 60 days crossed on day 148."""
    (line,) = [t for t in texts(judged(rise=ramp(0, 1.0, 60), seed=3)) if t.startswith(">=4 um(c) rising")]
    first, last = (np.datetime64(word) for word in line.split() if word.startswith("2026-"))
    assert first <= START.astype("datetime64[D]") + 148 <= last


def test_samples_that_stay_away() -> None:
    later = END + np.timedelta64(10, "D")
    assert texts(judged(now=later)) == ["no sample for 10 days, usually every 4 hours"]
    weekly = dataclasses.replace(CLEAN, interval_h=168.0)
    assert texts(judged(asset=weekly, now=END + np.timedelta64(5, "D"))) == []
    one = judged(asset=weekly, now=later)
    assert one.level == WATCH
    assert texts(one) == ["sampling overdue: newest sample 10 days old, due every 7 days"]
    one = judged(asset=weekly, now=END + np.timedelta64(20, "D"))
    assert one.level == LOOK
    assert {reason.kind for reason in one.reasons} == {"overdue", "old"}


def test_nothing_valid_lately_or_at_all() -> None:
    assert "no valid count in the newest 5 samples" in texts(judged(verdict=slice(-5, None)))
    assert "no valid count in 720 samples" in texts(judged(verdict=slice(None)))


def test_nothing_to_judge_by_and_calibration_run_out() -> None:
    bare = AssetRecord(1)
    lines = texts(judged(asset=bare))
    assert "no target set: nothing to judge its cleanliness by" in lines
    assert "no water limit set: nothing to judge its dryness by" in lines
    for day, said in (
        ("2026-03-01", "ran out on 2026-03-01"), ("2026-05-02", "runs out in 1 day, on 2026-05-02"),
    ):  # fmt: skip
        one = judged(dues={"counter": np.datetime64(day).item()})
        assert texts(one) == [f"the counter's calibration {said}"]
        assert one.level == WATCH
    assert texts(judged(dues={"counter": np.datetime64("2026-09-01").item()})) == []


def test_water_that_is_free_when_cold() -> None:
    """30 % at 45 degC is 100 % at about 22 degC by the published constants (B = 1567 K: 21.7; 1670 K:
    23.0)."""
    cold = dataclasses.replace(CLEAN, coldest_c=5.0)
    one = judged(asset=cold)
    assert one.reasons[0].level == ACT
    assert "free water when cold" in texts(one)[0] and "at 5 degC" in texts(one)[0]
    assert one.level_of("free water at the coldest") == ACT
    assert words.title(one) == "Act: clean enough; dry enough while warm, but free water when cold"


def test_a_step_counts_while_half_of_it_stands() -> None:
    """Level 0, from point 50 on 1, from point 80 on what is left."""
    change = Change(50, 50.0, 1.0)
    for left, stands in ((1.0, True), (0.6, True), (0.4, False), (0.0, False)):
        values = np.concatenate([np.zeros(50), np.ones(30), np.full(20, left)])[:, None]
        seen = Points(np.arange(100.0), values, np.ones(100, np.int64), np.zeros(1))
        one = Series(("x",), "scale numbers", seen, [[change]], [None], [None], None, [])
        assert urgency._stands(one, 0, change) == stands


def test_old_samples_are_said_in_every_word() -> None:
    """39 weeks after the last sample nothing may sound as if it were of today."""
    one = judged(now=END + np.timedelta64(39 * 7, "D"))
    assert one.word == "look soon"
    assert words.title(one) == ("Look soon: clean enough and dry enough; by samples that are 39 weeks old")
    assert one.sureness.word == "low"
    assert any("39 weeks old, more than 30 days" in line for line in one.sureness.reasons)
    assert one.particles[0].age_days == pytest.approx(39 * 7, abs=0.2)
    assert judged().sureness.word == "high"


def test_a_calibration_that_ends_tomorrow_is_no_plus() -> None:
    one = judged(dues={"counter": np.datetime64("2026-05-02").item()})
    assert any("runs out in 1 day" in line and "renew" in line for line in one.sureness.reasons)
    assert not any("runs until" in line for line in one.sureness.reasons)


def test_the_age_that_is_allowed_is_a_setting() -> None:
    record = dataclasses.replace(CLEAN, interval_h=168.0)
    config = Config(judgement=Judging(sample_age_days=5.0))
    assert goals_of(CLEAN, config).oldest_days == 5.0
    assert goals_of(record, config).oldest_days == 14.0
