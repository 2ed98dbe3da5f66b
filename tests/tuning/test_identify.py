"""Identification against plants that are known, because they were stepped here."""

import numpy as np
import pytest
import scipy.signal
import scipy.stats
from plants import FINE_S, Plant, flow_of, random_plant, square_duty, step_test, trace_of
from skidwright.errors import NoModel
from skidwright.tuning.identify import Model, autoregression, identify, whiten
from skidwright.tuning.observations import AT_A_MOMENT, BETWEEN_EDGES, HELD, DutyResponse, observe
from skidwright.tuning.trace import Trace

PLANTS = 50
SURE = 0.05


def identified(plant: Plant, seed: int) -> Model:
    """As a step test goes on: more cycles until the intervals are narrow enough."""
    for cycles in (4, 12, 36):
        model = identify(step_test(plant, cycles, np.random.default_rng(seed)))
        if max(e.relative for e in (model.gain, model.tau_s, model.dead_s)) < SURE:
            break
    return model


@pytest.mark.slow
def test_fifty_random_plants_and_meters() -> None:
    rng = np.random.default_rng(20260302)
    errors, held = [], []
    periods = []
    for k in range(PLANTS):
        plant = random_plant(rng)
        model = identified(plant, k)
        found = (model.gain, model.tau_s, model.dead_s)
        truth = (plant.gain, plant.tau_s, plant.dead_s)
        errors.append([abs(e.value / t - 1) for e, t in zip(found, truth, strict=True)])
        held.append([e.low <= t <= e.high for e, t in zip(found, truth, strict=True)])
        periods.append(plant.pulse_ul / plant.low_ul_s)
    worst, cover = np.max(errors, axis=0), np.mean(held, axis=0)
    spread = f"{PLANTS} plants, meters of {min(periods):.2f} to {max(periods):.2f} s a pulse"
    for name, w, c in zip(("gain", "time constant", "dead time"), worst, cover, strict=True):
        print(f"figure: identified over {spread}: {name}: worst error {w:.1%}, 95 % interval holds {c:.0%}")
    assert worst.max() <= 0.10
    assert cover.min() >= 0.90


def test_one_plant_read_off_a_held_column() -> None:
    """A rig logged without edges: flow is pulse over period, held; the pulse's volume comes out too."""
    plant = Plant(2.5, 1.2, 0.5, 730.0, 150.0)
    trace = step_test(plant, 8, np.random.default_rng(3), edges=False)
    assert observe(trace).kind == HELD
    model = identify(trace)
    assert model.pulse_ul == pytest.approx(150.0, rel=0.01)
    assert model.gain.value == pytest.approx(2.5, rel=0.05)
    assert model.tau_s.value == pytest.approx(1.2, rel=0.1)
    assert model.dead_s.value == pytest.approx(0.5, rel=0.1)
    # Pulse over period is on average half a period old when it comes and half a period more until the next.
    assert model.seen_dead_s - model.dead_s.value == pytest.approx(150.0 / 830.0, rel=0.35)


def test_taking_means_for_readings_would_err() -> None:
    """Why edges matter: the column taken for readings at a moment puts the dead time off by half a period,
    and blurs the time constant."""
    plant = Plant(2.5, 1.2, 0.5, 730.0, 300.0)
    trace = step_test(plant, 8, np.random.default_rng(3))
    right = identify(trace)
    # Too few repeats to be recognised: every fourth row of the same log.
    naive = identify(Trace(trace.time_s[::4], trace.duty_permille[::4], trace.flow_ul_s[::4]))
    assert observe(trace).kind == BETWEEN_EDGES and naive.kind == AT_A_MOMENT
    assert right.dead_s.low <= 0.5 <= right.dead_s.high
    assert naive.dead_s.low > 0.5 + 0.05 and naive.tau_s.low > 1.2


def test_readings_at_a_moment_with_correlated_noise() -> None:
    rng = np.random.default_rng(5)
    cover = []
    for _ in range(20):
        plant = Plant(2.0, 2.0, 1.0, 700.0, 50.0)
        duty = square_duty(15.0, 3, 300.0, 400.0)
        trace = trace_of(plant, duty, rng)
        flow = flow_of(plant, duty)[:: round(0.1 / FINE_S)][-trace.time_s.size :]
        noise = scipy.signal.lfilter([1.0], [1.0, -0.7], 6.0 * rng.standard_normal(flow.size + 100))[100:]
        model = identify(Trace(trace.time_s, trace.duty_permille, flow + noise))
        assert model.memory and model.memory[0] == pytest.approx(0.7, abs=0.15)
        found = zip((model.gain, model.tau_s, model.dead_s), (2.0, 2.0, 1.0), strict=True)
        cover.append([e.low <= t <= e.high for e, t in found])
    # 60 intervals of 95 %: by chance fewer than 51 hold in 1 of 1000 runs (binomial).
    assert np.sum(cover) >= 51


def test_a_slow_drift_is_no_gain() -> None:
    plant = Plant(2.5, 1.2, 0.5, 730.0, 100.0)
    trace = step_test(plant, 6, np.random.default_rng(4))
    # Every pulse comes a little sooner as the fluid warms: 1 uL/s each second.
    rate = 1.0 + 0.5 * 1.0 * trace.time_s / 830.0
    warmed = Trace(trace.time_s, trace.duty_permille, trace.flow_ul_s, trace.edge_s, trace.volume_ul * rate)
    model = identify(warmed)
    assert model.gain.value == pytest.approx(2.5, rel=0.1)
    assert model.drift_ul_s2 == pytest.approx(1.0, rel=0.25)


# -- refusals -----------------------------------------------------------------------------------


def refusal(trace: Trace) -> str:
    with pytest.raises(NoModel) as why:
        identify(trace)
    return str(why.value)


def test_no_step_no_model() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(300) * 0.1
    flow = 800 + 5 * rng.standard_normal(300)
    assert "the duty never changes" in refusal(Trace(time_s, np.full(300, 300.0), flow))
    duty = np.where((time_s // 5) % 2 == 1, 320.0, 300.0)
    assert "no step seen" in refusal(Trace(time_s, duty, flow))


def test_a_flow_that_answers_the_wrong_way_is_no_model() -> None:
    time_s = np.arange(300) * 0.1
    duty = np.where((time_s // 5) % 2 == 1, 320.0, 300.0)
    flow = 800 - 2 * (duty - 300) + np.random.default_rng(1).standard_normal(300)
    said = refusal(Trace(time_s, duty, flow))
    assert "flow falls as duty rises" in said and "swapped" in said and "no step seen" not in said


def test_meter_too_coarse() -> None:
    rng = np.random.default_rng(2)
    coarse = Plant(2.5, 0.5, 0.2, 730.0, 3000.0)
    assert "meter too coarse" in refusal(step_test(coarse, 3, rng))
    assert "meter too coarse" in refusal(step_test(coarse, 12, rng))


def test_window_counts_too_coarse() -> None:
    """A counter that counts whole pulses a second: one more pulse is most of the step."""
    plant = Plant(2.5, 1.2, 0.5, 730.0, 100.0)
    trace = step_test(plant, 6, np.random.default_rng(3))
    counted = np.round(trace.flow_ul_s / 100.0) * 100.0
    assert "it reads in steps of 100 uL/s" in refusal(Trace(trace.time_s, trace.duty_permille, counted))


# -- the parts ----------------------------------------------------------------------------------


def test_response_against_scipy() -> None:
    """scipy.signal.lsim with a zero-order hold is exact for duty that is constant from row to row."""
    rng = np.random.default_rng(6)
    time_s = np.arange(200) * 0.1
    duty = 300.0 + 50.0 * rng.integers(0, 3, 200)
    x, _ = DutyResponse(Trace(time_s, duty, duty)).at(time_s, 0.7)
    expected = scipy.signal.lsim(([1.0], [0.7, 1.0]), duty - duty[0], time_s, interp=False)[1] + duty[0]
    assert x == pytest.approx(expected, abs=1e-8)


def test_mean_response_is_the_mean_of_the_response() -> None:
    rng = np.random.default_rng(7)
    time_s = np.arange(100) * 0.1
    duty = 300.0 + 50.0 * rng.integers(0, 3, 100)
    response = DutyResponse(Trace(time_s, duty, duty))
    start, end = np.array([0.33, 2.0, 5.05]), np.array([1.9, 2.4, 9.7])
    for k in range(3):
        fine = np.linspace(start[k], end[k], 20001)
        mean = response.at(fine - 0.3, 0.7)[0]
        assert response.mean(start, end, 0.7, 0.3)[k] == pytest.approx(np.trapezoid(mean) / 20000, rel=1e-6)


def test_memory_of_noise_is_found_and_taken_away() -> None:
    rng = np.random.default_rng(8)
    white = rng.standard_normal(2000)
    assert autoregression(white).size <= 1
    noise = scipy.signal.lfilter([1.0], [1.0, -0.5, -0.3], white)
    a = autoregression(noise)
    assert a[:2] == pytest.approx([0.5, 0.3], abs=0.08)
    left = whiten(noise, a)
    assert abs(np.corrcoef(left[1:], left[:-1])[0, 1]) < 0.06
