"""The join of samples with the truth, and the score, on made-up records whose answer is plain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from score import run, tally
from score.join import UNPLACED, facts, place_boots
from sim.skids import scenario
from skidwright.checks import REJECTED, VALID
from skidwright.log import layouts
from skidwright.sim import truth
from skidwright.sim.scenario import FAULT_BITS

SECOND = 1_000_000


def rows(n: int = 100, start_s: int = 1000, **columns: Any) -> truth.Rows:
    """One row a second from `start_s` on: asset 1, 0.8 mL/s, 1000/300/30/10 per mL."""
    made = np.zeros(n, truth.ROW)
    made["start_us"] = (start_s + np.arange(n)) * SECOND
    made["end_us"] = made["start_us"] + SECOND
    made["asset"] = 1
    for name in ("flow_min_ml_s", "flow_mean_ml_s", "flow_max_ml_s"):
        made[name] = 0.8
    made["tank_per_ml"] = made["sensor_per_ml"] = (1000, 300, 30, 10)
    for name, (at, value) in columns.items():
        made[name][at] = value
    return made


def starts(*times: tuple[int, int]) -> truth.Rows:
    return np.array([(a * SECOND, b * SECOND, 0) for a, b in times], truth.START)


def sample(boot: int = 1, uptime_s: float = 1080, count_s: float = 30, prepare_s: float = 20) -> truth.Rows:
    """One sample that ends at `uptime_s`."""
    made = np.zeros(1, layouts.SAMPLE)
    made["boot"], made["asset"] = boot, 1
    made["uptime_ms"], made["count_ms"] = uptime_s * 1000, count_s * 1000
    made["prepare_ms"] = prepare_s * 1000
    return made


ONE = starts((0, 5000))


@pytest.mark.parametrize(
    ("last", "lives", "expected"),
    [
        ({1: 10, 2: 20}, [(0, 50), (60, 90)], {1: 0, 2: 1}),
        # The second start left no record, and neither boot fits elsewhere.
        ({1: 40, 2: 20}, [(0, 50), (60, 65), (70, 99)], {1: 0, 2: 2}),
        # Boot 1 may be either of the first two: nothing is guessed.
        ({1: 4, 2: 20}, [(0, 5), (6, 11), (20, 60)], {1: UNPLACED, 2: 2}),
        ({1: 40}, [(0, 10)], {1: UNPLACED}),
    ],
)
def test_boots_are_placed_only_where_there_is_one_way(
    last: dict[int, int], lives: list[tuple[int, int]], expected: dict[int, int]
) -> None:
    assert place_boots({b: s * SECOND for b, s in last.items()}, starts(*lives)) == expected


def test_facts_come_from_the_time_of_the_count() -> None:
    # The count runs from 1050 to 1080 s: rows 50 to 79.
    made = rows(flow_mean_ml_s=(slice(49, 80, 30), [2.0, 0.7]), bubbles=(slice(80, 90), 5))
    found = facts(sample(), made, ONE, {1: 0})
    assert found.found[0]
    assert (found.flow_low_ml_s[0], found.flow_high_ml_s[0]) == (0.7, 0.8)
    assert found.bubbles[0] == 0
    assert not found.out_of_band(0.6, 1.0)[0]
    assert found.out_of_band(0.75, 1.0)[0]
    assert found.tank_per_ml[0].tolist() == pytest.approx([1000, 300, 30, 10])


def test_faults_while_purging_disturb_but_the_loop_counts_only_in_the_count() -> None:
    broken = FAULT_BITS["water_loop_broken"]
    before = facts(sample(), rows(faults=(40, broken)), ONE, {1: 0})
    within = facts(sample(), rows(faults=(60, broken)), ONE, {1: 0})
    earlier = facts(sample(), rows(faults=(20, broken)), ONE, {1: 0})
    assert (before.disturbed[0], before.water_broken[0]) == (True, False)
    assert (within.disturbed[0], within.water_broken[0]) == (True, True)
    assert not earlier.disturbed[0]


@pytest.mark.parametrize(
    ("made", "record", "boots"),
    [
        (rows(), sample(boot=2), {1: 0}),
        (rows(), sample(), {1: UNPLACED}),
        (rows(n=70), sample(), {1: 0}),
        (rows(), sample(uptime_s=4000), {1: 0}),
        (rows(asset=(60, 2)), sample(), {1: 0}),
    ],
    ids=["unknown boot", "unplaced boot", "truth ends early", "no truth then", "another asset"],
)
def test_samples_without_truth_are_not_judged(
    made: truth.Rows, record: truth.Rows, boots: dict[int, int]
) -> None:
    assert not facts(record, made, ONE, boots).found[0]


Said = tuple[np.ndarray, np.ndarray]


def verdicts(counts: int = VALID, water: int = VALID, codes: tuple[int, ...] = (17, 15, 12, 10)) -> Said:
    return np.array([[counts, water, VALID, VALID]], np.uint8), np.array([codes], np.uint8)


def tallied(made: truth.Rows, said: Said) -> tally.Tally:
    return tally.tally(sample(), *said, made, ONE, {1: 0}, (0.667, 1.0))


def test_tally_of_a_good_sample() -> None:
    # ISO 4406, table 1: 17 is above 640 up to 1300 per mL, 15 is 160 to 320, 12 is 20 to 40.
    one = tallied(rows(), verdicts())
    assert (one.good, one.good_not_valid, one.valid) == (1, 0, 1)
    assert (one.numbers, one.numbers_within_one, one.numbers_equal) == (3, 3, 3)
    off = tallied(rows(), verdicts(codes=(17, 16, 14, 10)))
    assert (off.numbers, off.numbers_within_one, off.numbers_equal) == (3, 2, 1)


def test_tally_of_bad_samples() -> None:
    airy = rows(bubbles=(60, 3), air=(60, True))
    assert tallied(airy, verdicts()).bad_flow_or_air_valid == 1
    assert tallied(airy, verdicts(REJECTED)).bad_flow_or_air_valid == 0
    fast = rows(flow_mean_ml_s=(55, 1.2))
    assert tallied(fast, verdicts()).bad_flow_or_air_valid == 1
    broken = rows(faults=(60, FAULT_BITS["water_loop_broken"]))
    assert tallied(broken, verdicts()).loop_broken_valid == 1
    assert tallied(broken, verdicts(water=REJECTED)).loop_broken_valid == 0
    assert tallied(rows(), verdicts(water=REJECTED)).good_not_valid == 1
    assert tallied(airy, verdicts(REJECTED)).good == 0


def test_aims_are_missed_when_nothing_was_judged() -> None:
    met = {row["aim"]: row["met"] for row in run.aims(tally.Tally(), scenario())}
    assert [met[name] for name in met] == [True, True, False, False, False]
    scripted = scenario(fault=[{"kind": "air", "start": 5}, {"kind": "water_loop_broken", "start": 5}])
    assert not any(row["met"] for row in run.aims(tally.Tally(), scripted))


def test_aims_are_met_and_missed_at_their_limits() -> None:
    def met(**numbers: int) -> list[bool]:
        full = {"good": 100, "numbers": 1000, "numbers_within_one": 990, "numbers_equal": 900, **numbers}
        return [row["met"] for row in run.aims(tally.Tally(**full), scenario())]

    assert all(met(good_not_valid=2))
    assert met(good_not_valid=3)[2] is False
    assert met(numbers_within_one=989)[3] is False
    assert met(numbers_equal=899)[4] is False
    assert met(bad_flow_or_air=50, bad_flow_or_air_valid=1)[0] is False
    assert met(loop_broken=50, loop_broken_valid=1)[1] is False


@pytest.mark.parametrize(("text", "seeds"), [("1-3", [1, 2, 3]), ("5", [5]), ("1,4-5", [1, 4, 5])])
def test_seeds(text: str, seeds: list[int]) -> None:
    assert run.seeds_of(text) == seeds


def test_command_line_refuses_in_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    assert run.main(["--scenario", "nowhere", "--seeds", "1"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("score: nowhere: no such scenario") and said.count("\n") == 1
    with pytest.raises(SystemExit) as caught:
        run.main(["--seeds", "5-2"])
    assert caught.value.code == 2
