"""Ranking and its reasons, on invented assets whose state is known."""

import dataclasses

import numpy as np
from machine_years import START, ramp, step, years
from skidwright.judgement import attention, judge
from skidwright.judgement.changes import Change
from skidwright.judgement.points import Points
from skidwright.judgement.series import Series
from skidwright.register.model import AssetRecord

CLEAN = AssetRecord(1, "clean", target=(20, 18, 15), water_limit_percent=90.0, coldest_c=40.0)
END = START + np.timedelta64(120, "D")


def judged(number=1, seed=1, verdict=None, calibration_due=None, asset=CLEAN, **how):
    made = years(np.random.default_rng(seed), **{"days": 120, "every_h": 4.0, "wander": 0.05, **how})
    if verdict is not None:
        marks = made.counts_verdict.copy()
        marks[verdict] = 2
        made = dataclasses.replace(made, counts_verdict=marks)
    record = dataclasses.replace(asset, number=number, name=f"asset {number}")
    return judge.judge(made, record, calibration_due=calibration_due)


def texts(one, now=END):
    return [reason.text for reason in attention.reasons(one, now)]


def test_nothing_to_say_of_a_clean_asset() -> None:
    (only,) = attention.ranked([judged()], END)
    assert (only.word, only.reasons) == ("in order", ())


def test_worst_first() -> None:
    dirty = dataclasses.replace(CLEAN, target=(17, 15, 12))
    dirtier = dataclasses.replace(CLEAN, target=(15, 13, 10))
    found = attention.ranked(
        [judged(1), judged(2, asset=dirty), judged(3, rise=step(117, 1.0)), judged(4, asset=dirtier)],
        END,
        never=[AssetRecord(9, "new")],
    )
    assert [one.asset.number for one in found] == [4, 2, 3, 9, 1]
    assert [one.word for one in found] == ["act", "act", "look soon", "watch", "in order"]
    # 1800 per mL is 18 (ISO 4406:2021, table 1), three above 15
    assert "3 scale numbers above it" in found[0].reasons[0].text
    assert found[3].judgement is None


def test_a_rise_lately_is_seen_by_chart_and_a_step_by_its_day() -> None:
    assert any(
        "above what is usual for it since 2026-04-2" in text for text in texts(judged(rise=step(117, 1.0)))
    )
    lines = texts(judged(rise=step(100, 1.0)))
    # day 100 from 2026-01-01 is 2026-04-11
    assert any("rose by a step on 2026-04-1" in text and ">=4 +1.0" in text for text in lines)


def test_a_limit_ahead_names_an_interval_that_holds_the_day() -> None:
    """From 1800 per mL to the 10000 per mL of 20 are 2.47 doublings: at 1 in 60 days crossed on day 148."""
    (line,) = [t for t in texts(judged(rise=ramp(0, 1.0, 60), seed=3)) if t.startswith(">=4 um(c) rising")]
    first, last = (np.datetime64(word) for word in line.split() if word.startswith("2026-"))
    assert first <= START.astype("datetime64[D]") + 148 <= last


def test_samples_that_stay_away() -> None:
    later = END + np.timedelta64(10, "D")
    assert texts(judged(), later) == ["no sample for 10 days, usually every 4 hours"]
    weekly = dataclasses.replace(CLEAN, interval_h=168.0)
    assert texts(judged(asset=weekly), END + np.timedelta64(5, "D")) == []
    (reason,) = attention.reasons(judged(asset=weekly), later)
    assert (reason.level, reason.text) == (
        attention.WATCH,
        "sampling overdue: newest sample 10 days old, due every 7 days",
    )
    (reason,) = attention.reasons(judged(asset=weekly), END + np.timedelta64(20, "D"))
    assert reason.level == attention.LOOK


def test_nothing_valid_lately_or_at_all() -> None:
    assert "no valid count in the newest 5 samples" in texts(judged(verdict=slice(-5, None)))
    assert "no valid count in 720 samples" in texts(judged(verdict=slice(None)))


def test_nothing_to_judge_by_and_calibration_run_out() -> None:
    bare = AssetRecord(1)
    lines = texts(judged(asset=bare))
    assert "no target set: nothing to judge its cleanliness by" in lines
    assert "no water limit set: nothing to judge its dryness by" in lines
    due = np.datetime64("2026-03-01").item()
    assert texts(judged(calibration_due=due)) == ["the counter's calibration ran out on 2026-03-01"]


def test_water_that_is_free_when_cold() -> None:
    """30 % at 45 degC is 100 % at about 22 degC by the published constants (B = 1567 K: 21.7; 1670 K:
    23.0)."""
    cold = dataclasses.replace(CLEAN, coldest_c=5.0)
    (first, *_) = attention.reasons(judged(asset=cold), END)
    assert first.level == attention.ACT
    assert "free water when cold" in first.text and "gets down to 5 degC" in first.text


def test_a_step_counts_while_half_of_it_stands() -> None:
    """Level 0, from point 50 on 1, from point 80 on what is left."""
    change = Change(50, 50.0, 1.0)
    for left, stands in ((1.0, True), (0.6, True), (0.4, False), (0.0, False)):
        values = np.concatenate([np.zeros(50), np.ones(30), np.full(20, left)])[:, None]
        seen = Points(np.arange(100.0), values, np.ones(100, np.int64), np.zeros(1))
        one = Series(("x",), "scale numbers", seen, [[change]], [None], [None], None, [])
        assert attention._stands(one, 0, change) == stands
