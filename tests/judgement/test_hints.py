"""Each pattern put into invented samples gives its hint with figures; clean samples and other patterns give
none.

The patterns are common practice in the trade, no source.
"""

import numpy as np
import pytest
from machine_years import START, ramp, step, years
from skidwright.judgement import events, judge
from skidwright.register.model import AssetRecord, Component

ASSET = AssetRecord(1, "press", target=(20, 18, 15), water_limit_percent=90.0, coldest_c=40.0)
T0 = int(START.astype(np.int64))


def happened(*what) -> list:
    """Events as (day, kind)."""
    return [events.MachineEvent(T0 + int(day * 86_400_000), kind, "") for day, kind in what]


def pulse(day, codes, fades_in_days, channels=(0, 1, 2, 3)):
    """A rise of some channels at a day that fades again."""

    def rise(at):
        made = np.zeros((len(at), 4))
        later = at >= day
        for k in channels:
            made[later, k] = codes * np.exp(-(at[later] - day) / fades_in_days)
        return made

    return rise


def hints_of(book=(), asset=ASSET, seed=1, days=120, **how):
    """Kinds of hints, each with the hint."""
    made = years(np.random.default_rng(seed), days=days, **{"every_h": 2.0, "wander": 0.05, **how})
    return {hint.kind: hint for hint in judge.judge(made, asset, happened=happened(*book)).hints}


def test_all_channels_at_a_top_up() -> None:
    found = hints_of([(100, events.TOP_UP)], rise=pulse(100, 2.0, 2.0))
    hint = found.pop("dirt with new fluid")
    assert not found
    # four samples in six hours of a rise of 2 that fades in two days stand at about 1.9 (median)
    assert "+1.8" in hint.evidence or "+1.9" in hint.evidence
    assert "filtered whenever it is moved" in hint.may_be and hint.else_it
    assert "2026-04-11" in hint.what


def test_the_same_rise_without_a_top_up_is_none_and_a_top_up_without_it_neither() -> None:
    assert hints_of([(100, events.OTHER)], rise=pulse(100, 2.0, 2.0)) == {}
    assert hints_of([(100, events.TOP_UP), (110, events.FILTER)]) == {}


def test_fines_after_a_filter_change_and_all_sizes_after_one() -> None:
    fines = hints_of([(100, events.FILTER)], rise=pulse(100, 1.5, 3.0, channels=(0, 1)))
    assert set(fines) == {"fines after a filter change"}
    every = hints_of([(100, events.FILTER)], rise=pulse(100, 1.5, 3.0))
    assert set(every) == {"all sizes after a filter change"}


def test_a_step_that_nobody_wrote_down() -> None:
    found = hints_of(rise=step(90, 1.0))
    assert set(found) == {"dirt from outside"}
    assert "+1.0, +1.0" in found["dirt from outside"].evidence
    assert hints_of([(90.5, events.REPAIR)], rise=step(90, 1.0)) == {}


def test_large_particles_only() -> None:
    found = hints_of(rise=lambda at: np.outer(at >= 115, [0, 0, 1.5, 1.5]))
    assert set(found) == {"large particles only"}
    assert "air bubbles" in found["large particles only"].else_it


def test_metal() -> None:
    at = np.arange(0, 120, 1 / 12)
    found = hints_of(metal=np.c_[np.where(at > 100, 1.5, 0.3), np.full(len(at), 0.3)])
    assert set(found) == {"metal particles"}
    assert "ferrous" in found["metal particles"].what and "non-ferrous" not in found["metal particles"].what
    assert hints_of(metal=np.full((len(at), 2), 0.3)) == {}


@pytest.mark.parametrize("cooler", [True, False])
def test_water_by_itself(cooler) -> None:
    parts = (Component("oil cooler, water side 2 bar"),) if cooler else ()
    asset = AssetRecord(1, "press", target=(20, 18, 15), coldest_c=40.0, components=parts)
    found = hints_of(asset=asset, water_rise=ramp(60, 20.0, 60))
    assert set(found) == {"water by itself"}
    assert ("that this machine has" in found["water by itself"].may_be) == cooler
    assert "wash-down" in found["water by itself"].else_it


def test_water_with_dirt_is_not_by_itself() -> None:
    assert "water by itself" not in hints_of(water_rise=ramp(60, 20.0, 60), rise=ramp(60, 1.5, 60))


def test_saw_tooth_with_starts() -> None:
    """Ten hours on, fourteen off; each start a scale number up, gone within two hours."""
    at = np.concatenate([day + np.arange(0, 10 / 24, 0.5 / 24) for day in range(40)])
    found = hints_of(days=40, times=at, rise=lambda t: np.exp(-(t % 1) * 24 / 1.0))
    assert set(found) == {"saw-tooth with starts"}
    assert " of 3" in found["saw-tooth with starts"].evidence
    assert hints_of(days=40, times=at) == {}


def test_words_of_marks() -> None:
    told = {
        "ramp unit topped up, 25 L": events.TOP_UP,
        "Return filter changed": events.FILTER,
        "oil changed, 200 l": events.FLUID,
        "replaced rod seal": events.REPAIR,
        "flushed for 2 h": events.FLUSH,
        "started after weekend": events.START,
        "found low on oil, filled": events.TOP_UP,
        "visitor on board": events.OTHER,
    }
    assert {text: events.kind_of(text) for text in told} == told


def test_one_thing_written_in_two_books_counts_once() -> None:
    one = [(1000, events.FILTER, "mark"), (9_000_000, events.TOP_UP, "")]
    other = [(5000, events.FILTER, "register")]
    assert [e.kind for e in events.joined(one, other)] == [events.FILTER, events.TOP_UP]
