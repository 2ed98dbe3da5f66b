"""Every interlock in every state it watches, and a day of normal running. `make interlocks` does more."""

from pathlib import Path

import pytest
from fault.interlock_trial import Trial
from fault.interlock_trials import PAIRS, check_spread, trials
from fault.normal_running import normal_running
from skidboard import faults, interlocks, sequence
from skidwright.meanings.interlocks import BY_NUMBER, INTERLOCKS, TRIPS


@pytest.mark.slow
def test_every_interlock_in_every_state_it_watches():
    lines: list[str] = []
    outcomes = trials(2 * len(PAIRS), first_seed=1000, say=lines.append)
    check_spread(outcomes)
    print(f"figure: interlocks: {lines[-1]}")


@pytest.mark.slow
def test_a_day_of_normal_running_trips_nothing(tmp_path: Path):
    lines: list[str] = []
    normal_running(1, tmp_path, say=lines.append)
    assert " 0 trips, 0 faults raised" in lines[0] and " 0 samples" not in lines[0]
    print(f"figure: interlocks: {lines[0]}")


def test_the_table_has_every_rule_that_stops_the_pump():
    always = {rule.number for rule in INTERLOCKS if rule.does == TRIPS}
    assert always == {n for n in range(len(faults.NAMES)) if faults.TRIPPING >> n & 1}
    asked_for = {faults.BAND_NOT_REACHED, faults.DUTY_AT_LIMIT, faults.WATER_LOOP, faults.TEMP_SENSOR}
    assert set(BY_NUMBER) - {faults.COUNTER} == always | asked_for


def _slow(self: interlocks.Interlocks, no_flow_ms: int, *rest: int) -> None:
    CONFIGURE(self, no_flow_ms + 500, *rest)


CONFIGURE = interlocks.Interlocks.configure
# What is broken on purpose: where, which name, what takes its place; and the rule and state that show it.
BROKEN = {
    "half a second late": (interlocks.Interlocks, "configure", _slow, faults.NO_FLOW, sequence.COUNT),
    "a reset that is never refused": (
        interlocks.Interlocks, "causes_present", lambda _: 0, faults.STOP_INPUT, sequence.REST
    ),
    "a hold that nobody keeps": (
        sequence.Sequence, "_latch", lambda *_: None, faults.OVER_PRESSURE, sequence.PRIME
    ),
    "a rule that is gone": (
        faults, "TRIPPING", faults.TRIPPING & ~(1 << faults.FLUID_HOT), faults.FLUID_HOT, sequence.MANUAL
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_rule_is_seen(name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    where, attribute, instead, number, state = BROKEN[name]
    monkeypatch.setattr(where, attribute, instead)
    with pytest.raises(AssertionError):
        Trial(number, state, 7, tmp_path).run()
