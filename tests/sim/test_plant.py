"""The plant model: flow, pulses, counting statistics, loops and faults follow their laws."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats
from sim.skids import scenario
from skidwright.sim.plant import MODULO, OVER_PRESSURE, STOP_CHAIN_OPEN, Plant
from skidwright.sim.sensors import Arrivals

STEP_US = 100_000
QUIET_PUMP = {"unsteady": 0.0, "slip_ml_s": 0.0}


def running(duty: int = 300, seconds: float = 60, seed: int = 1, **tables: object) -> Plant:
    """A plant whose pump has run for some time."""
    plant = Plant(scenario(**tables), seed)
    plant.drive(duty, 1)
    steps(plant, seconds)
    return plant


def steps(plant: Plant, seconds: float) -> None:
    for _ in range(round(seconds * 1e6 / STEP_US)):
        plant.step(STEP_US)


@pytest.mark.parametrize("mean", [0.02, 0.7, 6.0, 40.0])
def test_arrivals_are_poisson(mean: float) -> None:
    arrivals = Arrivals(np.random.SeedSequence(7).spawn(1))
    drawn = np.array([arrivals.draw([mean], 1.0)[0] for _ in range(20000)])
    # Mean and variance of a Poisson number are the same; limits are five standard errors.
    assert drawn.mean() == pytest.approx(mean, abs=5 * math.sqrt(mean / len(drawn)))
    assert drawn.var() / mean == pytest.approx(1.0, abs=5 * math.sqrt((2 + 1 / mean) / len(drawn)))
    low = int(stats.poisson.ppf(0.01, mean))
    share = np.mean(drawn <= low)
    expected = stats.poisson.cdf(low, mean)
    assert share == pytest.approx(expected, abs=5 * math.sqrt(expected * (1 - expected) / len(drawn)) + 1e-9)


def test_counts_follow_flow_concentration_and_coincidence() -> None:
    dense = [{"number": 1, "name": "a", "particles_4um_per_ml": 20000, "slope": 3.0}]
    plant = running(seconds=30, asset=dense, sensor={"sensing_volume_nl": 5.0, "flow_high_ml_s": 5.0})
    before, volume = list(plant.counts), plant._since_switch_ml
    steps(plant, 60)
    volume = plant._since_switch_ml - volume
    # Paralysable counter: the share exp(-concentration * volume) is seen in each cumulative channel.
    for i, d in enumerate((4, 6, 14, 21)):
        true = 20000 * (d / 4) ** -3
        expected = true * volume * math.exp(-true * 5e-6)
        assert plant.counts[i] - before[i] == pytest.approx(expected, abs=5 * math.sqrt(expected) + 1)


def test_counts_are_cumulative_and_wrap() -> None:
    plant = running(seconds=5)
    assert plant.counts[0] > plant.counts[1] > plant.counts[2] > plant.counts[3]
    plant.counts[0] = MODULO - 1
    steps(plant, 5)
    assert 0 <= plant.counts[0] < 100_000


def test_outside_the_band_counts_are_biased() -> None:
    slow = running(duty=120, seconds=30)
    before, volume = slow.counts[0], slow._since_switch_ml
    steps(slow, 60)
    per_ml = (slow.counts[0] - before) / (slow._since_switch_ml - volume)
    assert per_ml > 1.1 * slow.scenario.asset[0].particles_4um_per_ml


def test_flow_rises_with_its_lag() -> None:
    plant = Plant(scenario(pump={**QUIET_PUMP, "lag_s": 2.0}), 1)
    plant.drive(300, 1)
    steps(plant, 2.0)
    # Line and fluid are still cold: the target is the one of this moment.
    assert plant._flow / plant._target_ml_s() == pytest.approx(1 - math.exp(-1), abs=0.03)


def test_thick_oil_flows_less() -> None:
    fluid = {"number": 1, "name": "a", "v40_mm2_s": 220, "v100_mm2_s": 19}
    warm = running(asset=[{**fluid, "fluid_c": 50}])
    cold = running(asset=[{**fluid, "fluid_c": 5}])
    assert cold._flow < 0.6 * warm._flow


def test_meter_edges_are_exact() -> None:
    plant = Plant(scenario(pump=QUIET_PUMP, meter={"scatter": 0.0}), 1)
    plant.drive(300, 1)
    steps(plant, 120)
    edges = []
    for _ in range(600):
        count = plant.meter_count
        plant.step(STEP_US)
        if plant.meter_count != count:
            edges.append((plant.meter_count, plant.meter_edge_us))
    (n0, t0), (n1, t1) = edges[0], edges[-1]
    period = (t1 - t0) / (n1 - n0)
    # Settled flow without noise: every period is the same, to the microsecond of rounding.
    assert period == pytest.approx(200.0 / plant._flow / 1000 * 1e6, rel=2e-3)
    for (na, ta), (nb, tb) in zip(edges, edges[1:], strict=False):
        assert (tb - ta) / (nb - na) == pytest.approx(period, rel=1e-3)


def test_meter_and_flow_agree_on_volume() -> None:
    plant = running(seconds=300)
    assert plant.meter_count * 0.2 == pytest.approx(plant._since_switch_ml, abs=0.2 + 0.003 * 0.2 * 40)


@pytest.mark.parametrize("volumes", [2.0, 5.0, 12.0])
def test_carry_over_is_what_purging_leaves(volumes: float) -> None:
    two = [
        {"number": 1, "name": "a", "particles_4um_per_ml": 10000, "water_percent": 80},
        {"number": 2, "name": "b", "particles_4um_per_ml": 0, "water_percent": 0},
    ]
    plant = running(duty=600, seconds=120, asset=two)
    plant.drive(600, 2)
    while plant._since_switch_ml < volumes * 15.0:
        plant.step(STEP_US)
    plant._slow()
    left = 1 / (4 * (plant._since_switch_ml / 15.0) ** 2)
    assert sum(plant._at_sensor[:4]) == pytest.approx(10000 * left, rel=0.01)


def test_loops() -> None:
    plant = running(seconds=200, temperature={"air_c": 40, "swing_c": 0})
    assert plant.loops.water_ua == pytest.approx(4000 + 160 * 20, abs=40)
    assert plant.loops.temp_ua == pytest.approx(4000 + 160 * 40, abs=40)
    # Beta formula of an NTC thermistor: 10 kohm at 25 degC, B = 3950 K.
    assert plant.loops.temp_ohm == pytest.approx(10000 * math.exp(3950 * (1 / 313.15 - 1 / 298.15)), rel=0.01)


def test_pump_off_is_still() -> None:
    plant = running(seconds=10)
    plant.drive(0, 0)
    steps(plant, 10)
    counts, pulses = list(plant.counts), plant.meter_count
    steps(plant, 100)
    assert (plant.counts, plant.meter_count) == (counts, pulses)


@pytest.mark.parametrize(
    ("kind", "seen"),
    [
        ("water_loop_broken", lambda p: p.loops.water_ua == 0),
        ("temp_loop_broken", lambda p: p.loops.temp_ua == 0 and p.loops.temp_ohm == 0),
        ("water_loop_at", lambda p: p.loops.water_ua > 21000),
        ("temp_loop_at", lambda p: p.loops.temp_ua > 21000),
        ("over_pressure", lambda p: p.inputs == OVER_PRESSURE),
        ("stop_input", lambda p: p.inputs == STOP_CHAIN_OPEN),
        ("pump_stall", lambda p: p._flow == 0),
        ("blocked_line", lambda p: p._flow < 0.3),
        ("hot_fluid", lambda p: p.loops.temp_ua > 4000 + 160 * 70),
        ("air", lambda p: p._air.present),
    ],
)
def test_faults_come_and_go(kind: str, seen: object) -> None:
    plant = running(seconds=55, fault=[{"kind": kind, "start": 60, "end": 160}])
    assert not seen(plant)  # type: ignore[operator]
    steps(plant, 100)
    assert seen(plant)  # type: ignore[operator]
    steps(plant, 120)
    assert not seen(plant)  # type: ignore[operator]


def test_meter_stuck_and_dead_channel() -> None:
    faults = [{"kind": "meter_stuck", "start": 0}, {"kind": "dead_channel", "start": 0, "channel": 3}]
    plant = running(fault=faults)
    assert plant.meter_count == 0
    assert plant.counts[2] == 0 < plant.counts[3]


def test_fault_of_another_asset_does_not_show() -> None:
    two = [{"number": 1, "name": "a"}, {"number": 2, "name": "b"}]
    plant = running(asset=two, fault=[{"kind": "air", "start": 0, "asset": 2}])
    assert not plant._air.present
    plant.drive(300, 2)
    steps(plant, 5)
    assert plant._air.present


def test_air_is_large_and_bursty() -> None:
    plant = Plant(scenario(fault=[{"kind": "air", "start": 0}]), 1)
    plant.drive(300, 1)
    steps(plant, 180)
    plant._slow()
    rows = plant.truth.rows()[100:]
    bubbles = rows["bubbles"]
    volume = (rows["end_us"] - rows["start_us"]) * 1e-6 * rows["flow_mean_ml_s"]
    # The mean is what the fault says, over many bursts; most of the time there is none.
    assert bubbles.sum() / volume.sum() == pytest.approx(60, rel=0.35)
    assert np.mean(bubbles == 0) > 0.5
    dirt = plant.scenario.asset[0].particles_4um_per_ml * (21 / 4) ** -2.8
    large = plant.counts[3] - dirt * plant._since_switch_ml
    assert large == pytest.approx(0.88 * plant.truth.rows()["bubbles"].sum(), rel=0.1)


def test_unwanted_flow_with_the_pump_off() -> None:
    plant = Plant(scenario(fault=[{"kind": "unwanted_flow", "start": 10, "amount": 500}]), 1)
    steps(plant, 5)
    assert plant.meter_count == 0
    steps(plant, 45)
    assert plant.meter_count * 0.2 == pytest.approx(0.5 * 40, abs=1.0)


def test_seed_decides() -> None:
    def end(seed: int) -> tuple[object, ...]:
        plant = running(seconds=100, seed=seed, fault=[{"kind": "air", "start": 50}])
        return (*plant.counts, plant.meter_edge_us, plant.loops.water_ua)

    assert end(3) == end(3)
    assert end(3) != end(4)


def test_a_power_cut_ends_its_row_of_truth() -> None:
    plant = running(seconds=60.5)
    plant.power_up()
    plant.skip_to(plant.t_us + 20_000_000)
    rows = plant.truth.rows()
    (last,) = np.flatnonzero(rows["end_us"] == 60_500_000)
    assert rows["flow_min_ml_s"][last] > 0.9 * rows["flow_mean_ml_s"][last - 1]


def test_truth_rows_cover_the_run_without_gaps() -> None:
    plant = running(seconds=60)
    plant._slow()
    rows = plant.truth.rows()
    assert rows["start_us"][0] == 0
    assert (rows["end_us"][:-1] == rows["start_us"][1:]).all()
    volume = ((rows["end_us"] - rows["start_us"]) * 1e-6 * rows["flow_mean_ml_s"]).sum()
    assert volume == pytest.approx(plant._since_switch_ml, rel=1e-6)


def test_droplets_are_counted_with_the_particles_near_saturation() -> None:
    wet = [{"number": 1, "name": "a", "particles_4um_per_ml": 100, "water_percent": 97}]
    sensor = {"sensing_volume_nl": 0, "droplets_from_percent": 95, "droplets_per_ml_percent": 300}
    plant = running(seconds=30, asset=wet, sensor=sensor, pump=QUIET_PUMP)
    before, volume = plant.counts[0], plant._since_switch_ml
    steps(plant, 60)
    expected = (100 + 2 * 300) * (plant._since_switch_ml - volume)
    assert plant.counts[0] - before == pytest.approx(expected, abs=5 * math.sqrt(expected))
    last = plant.truth.rows()[-1]
    assert last["droplets_per_ml"] == pytest.approx(600)
    assert last["sensor_per_ml"][0] == pytest.approx(100), "droplets are no particles"


def test_meter_off_and_drifting() -> None:
    volumes = {}
    for name, fault in {
        "off": {"kind": "meter_off", "start": 0, "amount": 1.25},
        "drift": {"kind": "meter_drift", "start": 0, "amount": 6.0},
    }.items():
        plant = running(seconds=30, fault=[fault], meter={"scatter": 0})
        pulses, volume = plant.meter_count, plant._since_switch_ml
        steps(plant, 60)
        volumes[name] = 1000 * (plant._since_switch_ml - volume) / (plant.meter_count - pulses)
    assert volumes["off"] == pytest.approx(250, rel=0.02)
    # 30 to 90 s from the start: one minute on average, a sixtieth of 600 % an hour
    assert volumes["drift"] == pytest.approx(220, rel=0.02)


def test_swapped_channels_and_settling() -> None:
    swapped = running(seconds=60, fault=[{"kind": "swapped_channels", "start": 0, "channel": 2}])
    assert swapped.counts[2] > swapped.counts[1] > swapped.counts[3]
    plain, poor = (
        running(seconds=60, fault=faults).truth.rows()[-1]
        for faults in ([], [{"kind": "settling", "start": 0, "amount": 0.5}])
    )
    assert np.allclose(plain["tank_per_ml"], poor["tank_per_ml"])
    left = poor["sensor_per_ml"] / plain["sensor_per_ml"]
    classes = -np.diff([*poor["sensor_per_ml"], 0]) / -np.diff([*plain["sensor_per_ml"], 0])
    assert classes[2] == pytest.approx(0.5) and classes[3] < 0.25, "Stokes: more of the larger ones"
    assert left[0] > 0.85
