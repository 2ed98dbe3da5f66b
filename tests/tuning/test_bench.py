"""The guarded step test on the firmware itself, in virtual time, and what must end it."""

from __future__ import annotations

from typing import Any

import pytest
from board_in_process import BoardInProcess
from skidboard import records
from skidboard.sequence import STANDBY, TRIPPED
from skidwright.errors import LinkError, Refused, StepTestStopped
from skidwright.tuning import step_test as benches
from skidwright.tuning.proposal import propose
from skidwright.tuning.step_test import Bench
from test_app import of_kind, run


@pytest.fixture
def make(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A board, and a bench for it whose waiting lets the board's time pass."""

    def made(name: str, **settings: Any) -> tuple[BoardInProcess, Bench]:
        skid = BoardInProcess(name, settings)
        monkeypatch.setattr(benches.time, "sleep", skid.sleep)
        return skid, Bench(skid, skid.settings())  # type: ignore[arg-type]

    return made


def test_step_test_finds_the_fake_boards_pump(make: Any) -> None:
    """The model behind the fake board: 4 uL/s per per mille, a lag of 0.3 s, no dead time."""
    skid, bench = make("bench_finds")
    skid.fake.pulse_nl = 50000
    bench.session.app.put_settings({"meter_pulse_nl": 50000})
    bench = Bench(bench.session, skid.settings())
    trace, model, refusal = bench.step_test()
    assert model is not None, refusal
    assert model.gain.value == pytest.approx(4.0, rel=0.02)
    assert model.tau_s.value == pytest.approx(0.3, abs=0.03)
    assert model.dead_s.value < 0.03
    # Duty goes by the slew limit of 400 per mille a second in any case, flow stays about the band.
    assert trace.flow_ul_s.min() > 667 - 0.25 * 333 and trace.flow_ul_s.max() < 1000 + 0.25 * 333
    assert skid.app.sequence.state == STANDBY
    # So long a pump runs on when this program is killed outright; docs/tuning.md says 48 s.
    assert max(skid.limits_s) <= 48 and benches._HOLDS_S[1] + benches._SPARE_S == 48
    run(skid.app, 1100)
    assert skid.fake.duty_permille == 0
    assert [e["code"] for e in of_kind(skid.app, records.BY_HAND)] == [1, 0]


def test_gains_written_then_verified(make: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    skid, bench = make("bench_verifies")
    _, model, refusal = bench.step_test()
    assert model is not None, refusal
    proposal = propose(model, None, None)
    assert proposal.acceptable
    skid.put_settings(proposal.proposed.settings)
    bench.settings = skid.settings()
    _, found = bench.verify(model)
    assert found["good"], {k: v for k, v in found.items() if not isinstance(v, list)}
    assert found["iae_ul"] == pytest.approx(found["iae_predicted_ul"], rel=0.3)
    # Gains that make the loop swing are seen by the same comparison.
    swinging = {"gain_ppm_per_ul_s": 12 * proposal.proposed.settings["gain_ppm_per_ul_s"]}
    with pytest.raises(Refused, match="gain_ppm_per_ul_s: too high"):
        skid.put_settings(swinging)
    monkeypatch.setattr("skidboard.settings.check_all", lambda values: [])
    skid.put_settings(swinging)
    _, found = bench.verify(model)
    assert not found["good"]


@pytest.mark.parametrize("after_s", [3.0, 30.0, 44.0])
def test_a_trip_ends_the_test_with_the_pump_off(make: Any, after_s: float) -> None:
    skid, bench = make(f"bench_trip_{after_s:.0f}")
    skid.at = [(after_s, lambda: setattr(skid.fake, "input_bits", 1))]
    with pytest.raises(StepTestStopped, match="stop input"):
        bench.step_test()
    assert skid.app.sequence.state == TRIPPED and skid.fake.duty_permille == 0


def test_flow_that_leaves_the_band_ends_the_test(make: Any) -> None:
    skid, bench = make("bench_strays")
    skid.at = [(42.0, lambda: setattr(skid.fake, "full_ul_s", 1500.0))]
    with pytest.raises(StepTestStopped, match="has left the band"):
        bench.step_test()
    run(skid.app, 1100)
    assert skid.app.sequence.state == STANDBY and skid.fake.duty_permille == 0


def test_a_cable_pulled_in_mid_test_stops_the_pump_all_the_same(make: Any) -> None:
    skid, bench = make("bench_cable")
    skid.at = [(45.0, lambda: setattr(skid, "dead", True))]
    with pytest.raises(LinkError):
        bench.step_test()
    assert skid.app.sequence.by_hand()
    run(skid.app, 20000)
    assert skid.app.sequence.state == STANDBY and skid.fake.duty_permille == 0


def test_a_pump_too_weak_for_the_band_is_told(make: Any) -> None:
    skid, bench = make("bench_weak")
    skid.fake.full_ul_s = 500.0
    with pytest.raises(StepTestStopped, match="does not come to"):
        bench.step_test()
    assert skid.app.sequence.state == STANDBY


def test_a_busy_skid_is_left_alone(make: Any) -> None:
    skid, bench = make("bench_busy")
    skid.command("start")
    with pytest.raises(StepTestStopped, match="in state prime"):
        bench.step_test()
    assert skid.app.sequence.in_cycle()
