"""What can be seen to rise is said, whatever the noise model makes of it; and it stays said."""

import dataclasses

import numpy as np
import pytest
from machine_years import START, years
from rises import ASSET, FIRST_SEED, alarms_of, became_milder, risen, words_of
from skidwright.config import Config
from skidwright.samples import history
from skidwright.standing import standing, words
from skidwright.standing.goals import ACT, AS_READ, AT_COLDEST, FREE_WATER, LOOK, WATCH, goals_of
from skidwright.standing.rising import NONE, PASSED, TOWARDS, rise


def wet(percent, every_h=6.0, warm_c=45.0, asset=ASSET):
    """The standing of a clean machine with these readings of water."""
    n = len(percent)
    when = START + (np.arange(n) * every_h * 3_600_000).astype("timedelta64[ms]")
    counts = np.tile([54_000, 12_600, 1_140, 210], (n, 1))
    made = history.of_arrays(
        when, counts, 30.0, water_percent=np.asarray(percent, float), temperature_c=np.full(n, warm_c)
    )
    return standing.stand(made, asset, goals_of(asset, Config()), when[-1])


@pytest.mark.parametrize("points", (18, 19, 20, 21, 40))
def test_rising_water_is_no_milder_with_one_point_more(points) -> None:
    """The newest five readings rise from 38 to 60.6 % against a limit of 60 %."""
    calm = 37.5 + np.random.default_rng(points).normal(0, 0.3, points - 5)
    one = wet(np.r_[calm, 38, 45, 48, 57.7, 60.6])
    assert one.level_of(AS_READ) >= LOOK
    assert any("rises towards its limit: water as read from 3" in words.reason(r) for r in one.reasons)


def test_water_that_goes_from_26_to_86_percent_in_twelve_hours_is_never_called_steady() -> None:
    percent = np.r_[np.full(40, 26.0), np.linspace(26, 86, 25)]
    no_limit = dataclasses.replace(ASSET, water_limit_percent=None)
    found = [wet(percent[: 40 + k], every_h=0.5, asset=no_limit) for k in (12, 18, 25)]
    assert all(any(r.kind == "rises fast" for r in one.reasons) for one in found)
    limited = dataclasses.replace(ASSET, water_limit_percent=90.0)
    assert wet(percent, every_h=0.5, asset=limited).level == LOOK
    assert wet(percent, every_h=0.5).level == ACT


def test_one_or_two_wrong_readings_begin_no_rise_and_end_none() -> None:
    days = np.arange(30.0)
    values = np.full(30, 10.0)
    values[[12, 13]] = 90.0
    assert all(rise(days[:n], values[:n], 50.0, 5.0) is None for n in range(3, 31))
    going = np.r_[np.full(10, 10.0), np.linspace(12, 48, 20)]
    going[[25, 26]] = 10.0
    assert rise(days, going, 60.0, 5.0).stage == TOWARDS


def test_a_rise_ends_when_half_of_it_is_lost_in_three_readings() -> None:
    days = np.arange(40.0)
    values = np.r_[np.full(10, 10.0), np.linspace(10, 40, 20), np.full(10, 20.0)]
    assert rise(days[:31], values[:31], 50.0, 5.0) is not None
    assert rise(days, values, 50.0, 5.0) is None


def test_stages_and_the_pace() -> None:
    days, values = np.arange(20.0), np.r_[np.full(5, 10.0), np.linspace(10, 40, 15)]
    assert rise(days, values, 35.0, 5.0).stage == PASSED
    assert rise(days, values, 45.0, 5.0).stage == TOWARDS
    # of the newest three the middle one is 37.9, the lowest 25.7 above the beginning: 63.6 is reached
    assert rise(days, values, 63.0, 5.0).stage == TOWARDS
    assert rise(days, values, 64.0, 5.0) is None
    quick = rise(days / 3, values, 64.0, 5.0)
    assert quick.stage == NONE
    assert quick.fast


def test_what_counting_leaves_open_is_no_rise() -> None:
    """Twice as many out of two counts is chance; out of two hundred it is not."""
    days, values = np.arange(12.0), np.r_[np.zeros(6), np.full(6, 1.2)]
    assert rise(days, values, 2.0, 1.0, 1 / np.log(2) / np.sqrt(2.5)) is None
    assert rise(days, values, 2.0, 1.0, 1 / np.log(2) / np.sqrt(200)) is not None


def test_near_its_limit_is_said() -> None:
    (reason,) = [r for r in wet(np.full(30, 52.0)).reasons if r.kind == "near limit"]
    assert (reason.level, words.reason(reason)) == (
        WATCH, "near its limit: water as read is at 87 % of what is allowed"
    )  # fmt: skip
    assert not any(r.kind == "near limit" for r in wet(np.full(30, 40.0)).reasons)


@pytest.mark.parametrize("seed", range(FIRST_SEED, FIRST_SEED + 6))
def test_the_word_never_becomes_milder_while_a_rise_lasts(seed) -> None:
    found = words_of(risen(seed))
    assert not became_milder(found)
    assert max(level for level, _ in found) >= LOOK


def test_clean_years_are_not_said_to_rise() -> None:
    """The long run is `make rises`."""
    for seed in range(FIRST_SEED, FIRST_SEED + 5):
        assert alarms_of(years(np.random.default_rng(seed), every_h=24)) == 0


def test_one_line_for_water_that_goes_past_its_limit_and_on_to_free_water_when_cold() -> None:
    """Of 30 % at 45 degC either published pair makes more than 100 % at 8 degC (content over solubility)."""
    cold = dataclasses.replace(ASSET, coldest_c=8.0)
    one = wet(np.r_[np.full(20, 10.0), np.linspace(12, 32, 12)], asset=cold)
    lines = [words.reason(r) for r in one.reasons if {AT_COLDEST, FREE_WATER} & set(r.about)]
    told = [line for line in lines if "rises" in line]
    assert len(told) == 1 and "what the fluid can hold when cold" in told[0]
    assert one.level_of(AT_COLDEST) == one.level_of(FREE_WATER) == ACT
