"""Sizing against `fluids`, against handbook figures worked by hand, and against simulations of our own."""

from __future__ import annotations

import copy
import inspect
import math
import re
import tomllib

import fluids
import fluids.drag
import numpy as np
import pytest
from skidwright.errors import RigError
from skidwright.rig.products import example_rig
from skidwright.rig.sizing import figures, hydraulics
from skidwright.rig.sizing.assessment import assess
from skidwright.rig.sizing.picture import draw
from skidwright.rig.sizing.rig_file import load, parse

DOCUMENT = tomllib.loads(example_rig())
RIG = parse(DOCUMENT)


def changed(**tables):
    """The example with values changed: changed(tap={"pressure_low_bar": 0.0}, line=[{"rise_m": 1.0}])."""
    document = copy.deepcopy(DOCUMENT)
    for name, values in tables.items():
        if name == "line":
            for row, value in zip(document["line"], values, strict=False):
                row.update(value)
        else:
            document[name].update(values)
    return parse(document)


def agree(name, ours, theirs, within):
    """Print the two figures and the size of the error, and fail when it is larger than `within` (a share)."""
    error = ours / theirs - 1
    what = f"computed {ours:.6g}, reference {theirs:.6g}"
    print(f"figure: {name}: {what}, error {error:+.4%} (allowed {within:.2%})")
    assert abs(error) <= within


# ------------------------------------------------------------- against the library `fluids`


@pytest.mark.parametrize("bore_mm", [1.2, 3.0, 4.0, 6.0])
@pytest.mark.parametrize("ml_min", [40.0, 120.0])
@pytest.mark.parametrize("nu", [7.0, 46.0, 400.0])
def test_laminar_drop_against_fluids(bore_mm, ml_min, nu):
    rho, length = 870.0, 1.5
    ours = hydraulics.drop_bar(ml_min, bore_mm, length, nu, rho)
    assert hydraulics.reynolds(ml_min, bore_mm, nu) < 2000
    theirs = fluids.friction.one_phase_dP(
        m=ml_min / 60e6 * rho, rho=rho, mu=nu * 1e-6 * rho, D=bore_mm / 1000, L=length
    )
    agree(f"drop in {bore_mm} mm at {ml_min} mL/min, {nu} mm2/s", ours, theirs / 1e5, 1e-6)


def test_reynolds_number_and_fittings_against_fluids():
    v = hydraulics.velocity_m_s(120, 4)
    agree("Reynolds number", hydraulics.reynolds(120, 4, 20), fluids.Reynolds(V=v, D=0.004, nu=20e-6), 1e-9)
    with_k = hydraulics.drop_bar(120, 4, 1, 20, 870, loss=3) - hydraulics.drop_bar(120, 4, 1, 20, 870)
    agree("fittings", with_k, fluids.dP_from_K(K=3, rho=870, V=v) / 1e5, 1e-9)


def test_turbulent_drop_against_blasius_of_fluids():
    """Thin fluid in a narrow bore: Re about 10600. No case for a counter; the figure must not mislead."""
    ml_min, bore, nu, rho = 1000.0, 2.0, 1.0, 1000.0
    re = hydraulics.reynolds(ml_min, bore, nu)
    factor = fluids.friction.Blasius(re)
    theirs = factor * 1.0 / 0.002 * rho * hydraulics.velocity_m_s(ml_min, bore) ** 2 / 2 / 1e5
    assert re > 4000
    agree("turbulent drop", hydraulics.drop_bar(ml_min, bore, 1.0, nu, rho), theirs, 2e-3)


@pytest.mark.parametrize(("size_um", "density"), [(14, 2650), (21, 2650), (70, 7850)])
def test_settling_velocity_against_fluids(size_um, density):
    """`fluids` solves the drag of a sphere at any Reynolds number; Stokes' law is its limit below 0.1."""
    rho, nu = 850.0, 46.0
    ours = figures.stokes_m_s(size_um, density, rho, nu)
    theirs = fluids.drag.v_terminal(D=size_um * 1e-6, rhop=density, rho=rho, mu=nu * 1e-6 * rho)
    assert figures.particle_reynolds(size_um, ours, nu) < 0.1
    agree(f"settling of {size_um} um", ours, theirs, 0.01)


# ------------------------------------------------------------- against handbook figures worked by hand


def test_laminar_drop_by_hand():
    """White, Fluid Mechanics, equation for laminar pipe flow, by hand: 32 mu L v / d^2.

    50 mL/min in 4 mm: v = 66.3 mm/s; mu = 46e-6 * 870 = 0.04002 Pa s; 32 * 0.04002 * 1 * 0.0663146 / 16e-6.
    """
    agree(
        "drop per metre", hydraulics.drop_bar(50, 4, 1, 46, 870), 32 * 0.04002 * 0.0663146 / 16e-6 / 1e5, 1e-5
    )


def test_head_and_volume_by_hand():
    assert hydraulics.head_bar(1000, 10) == pytest.approx(0.980665)  # 10 m of water
    assert hydraulics.volume_ml(4, 1) == pytest.approx(12.566, abs=1e-3)  # pi / 4 * 0.4^2 * 100 cm3


def test_ideal_torque_by_hand():
    """D dp / (2 pi): 10 mL/rev at 100 bar is 15.9 Nm, as any pump catalogue's formula sheet has it."""
    assert 10e-6 * 100e5 / (2 * math.pi) == pytest.approx(15.915, abs=1e-3)
    free = changed(pump={"friction_nm": 0.0, "viscous_nm_1000rpm": 0.0, "slip_ml_min_bar": 0.0})
    state = hydraulics.state_at(free, 40.0, 50.0)
    lifted = state.delivery_bar - (state.inlet_bar_abs - free.tap.air_bar_abs)
    agree("torque without losses", state.torque_nm, 0.30e-6 * lifted * 1e5 / (2 * math.pi), 1e-9)
    agree("shaft power is dp Q", state.power_w, lifted * 1e5 * 50 / 60e6, 1e-9)


def test_slip_turns_the_pump_faster():
    """Wilson: 2 mL/min per bar at 46 mm2/s; at half the viscosity and the same pressure twice as much."""
    state = hydraulics.state_at(RIG, 40.0, 50.0)
    lifted = state.delivery_bar - (state.inlet_bar_abs - RIG.tap.air_bar_abs)
    agree("slip at 46 mm2/s", state.slip_ml_min, 2.0 * lifted, 1e-6)
    assert state.pump_rpm == pytest.approx((50 + state.slip_ml_min) / 0.30)


def test_air_from_oil_by_hand():
    """Oil saturated at 1 bar, at 0.5 bar: 0.09 * 0.5 / 0.5 = 0.09 volumes of gas on one of oil, 8.26 %."""
    agree("released air", hydraulics.released_air(RIG.fluid, 0.5, 1.0), 0.09 / 1.09, 1e-9)
    assert hydraulics.released_air(RIG.fluid, 1.0, 1.0) == 0.0
    assert hydraulics.released_air(RIG.fluid, 1.5, 1.0) == 0.0


def test_viscosity_passes_through_its_points():
    """ISO 3448: VG 46 is 46 mm2/s at 40 degC; 6.8 at 100 degC makes a viscosity index of about 100."""
    agree("viscosity at 40 degC", hydraulics.viscosity_at(RIG.fluid, 40.0), 46.0, 1e-6)
    agree("viscosity at 100 degC", hydraulics.viscosity_at(RIG.fluid, 100.0), 6.8, 1e-6)
    assert 200 < hydraulics.viscosity_at(RIG.fluid, 10.0) < 320


def test_volume_for_the_cleanest_code_by_hand():
    """ISO 4406 table 1: code 11 is more than 10 and up to 20 per mL, so 20 need 2 mL; code 7: 31 mL."""
    assert figures.needed_volume_ml((16, 14, 11), 20) == pytest.approx(2.0)
    assert figures.needed_volume_ml((12, 10, 7), 20) == pytest.approx(20 / 0.64)
    assert figures.count_spread(20) == pytest.approx(0.2236, abs=1e-4)


def test_flush_by_hand():
    """Levenspiel, 1 / (4 n^2): fluid twice as dirty, 1 % left over: 5 volumes; 8 times, 10 %: 4.18."""
    assert figures.flush_volumes(1, 0.01) == pytest.approx(5.0)
    assert figures.flush_volumes(3, 0.10) == pytest.approx(math.sqrt(7 / 0.1) / 2)


def test_days_of_log_by_hand():
    """280 segments of 28 records; 86400 / 409.3 samples a day with a tenth of other records."""
    found = figures.cycle_at(RIG, 60.0)
    by_hand = 280 * 28 / (86400 / found.cycle_s * 1.1)
    agree("days of log", found.days_of_log, by_hand, 1e-9)
    parts = found.purge_ml / 120 * 60 + 8 + 30 / 50 * 60 + 300
    agree("cycle", found.cycle_s, parts, 1e-9)


# ------------------------------------------------------------- against simulations


def test_settled_share_against_a_simulation_of_the_tube():
    """Particles enter a level tube as the flow is spread, move with the parabola, sink; count wall hits.

    Height falls at v_s while the particle moves with u(r) = 2 U (1 - r^2 / R^2): integrated in small steps.
    """
    rng = np.random.default_rng(5)
    length, bore, mean = 0.5, 0.004, 0.066
    radius = bore / 2
    for settling in (5e-6, 3e-5, 8e-5):
        n = 10000
        # Flux-weighted entry: density of r^2 / R^2 = s is 2 (1 - s).
        s = 1 - np.sqrt(rng.random(n))
        angle = rng.random(n) * 2 * math.pi
        x = radius * np.sqrt(s) * np.cos(angle)
        y = radius * np.sqrt(s) * np.sin(angle)
        along = np.zeros(n)
        flying = np.ones(n, bool)
        hit = np.zeros(n, bool)
        step = radius / settling / 800
        for _ in range(4000):
            r2 = (x * x + y * y) / radius**2
            hit |= flying & (r2 >= 1)
            flying &= ~hit & (along < length)
            if not flying.any():
                break
            along[flying] += 2 * mean * (1 - r2[flying]) * step
            y[flying] -= settling * step
        found = hit.mean()
        formula = figures.settled_share(length, bore * 1000, mean, settling)
        print(f"settled share at {settling:.0e} m/s: formula {formula:.4f}, simulation {found:.4f}")
        assert formula == pytest.approx(found, abs=0.012)


def test_old_fluid_after_flushing_against_a_simulation():
    """Fluid on the parabola, no mixing: share of old fluid in what leaves after n volumes is 1 / (4 n^2)."""
    s = (np.arange(200000) + 0.5) / 200000  # area fraction r^2 / R^2
    speed = 2 * (1 - s)  # over the mean
    for volumes in (1.0, 2.0, 5.0):
        old = speed[speed * volumes < 1].sum() / speed.sum()
        agree(f"old fluid after {volumes:g} volumes", 1 / (4 * volumes**2), old, 0.001)
        assert figures.flush_volumes(1, old) == pytest.approx(volumes, rel=0.001)


def test_coincidence_against_chance():
    """Poisson: a particle is alone in the zone with e^(-c v); the concentration for 5 % is -ln(0.95) / v."""
    crowd = figures.crowded_per_ml(0.002, 0.05)
    assert figures.coincidence_share(crowd, 0.002) == pytest.approx(0.05)
    rng = np.random.default_rng(3)
    hidden = (rng.poisson(crowd * 0.002e-3, 400000) > 0).mean()
    assert hidden == pytest.approx(0.05, abs=0.002)


# ------------------------------------------------------------- whole rigs


def test_the_example_falls_short_of_nothing():
    found = assess(RIG)
    assert found.shortfalls == ()
    assert all(row.ok for row in found.rows)
    assert found.coldest_oil_c < RIG.fluid.coldest_c
    # Its settings are accepted by the board.
    from skidboard.settings import check_all

    assert check_all(found.settings) == []


SHORT = {
    "a long thin suction line from a low reservoir": (
        {
            "tap": {"pressure_low_bar": 0.0, "pressure_high_bar": 0.0},
            "line": [{"length_m": 4.0, "rise_m": 2.0}],
        },
        ["Suction pressure", "air may come out"],
    ),
    "oil too thick for the counter": ({"fluid": {"coldest_c": -5.0}}, ["Counter viscosity"]),
    "a weak motor": ({"pump": {"torque_limit_nm": 0.06}}, ["Torque"]),
    "a small power supply": ({"pump": {"power_limit_w": 1.0}}, ["Power"]),
    "a pump too small": ({"pump": {"displacement_ml_rev": 0.05}}, ["Pump speed"]),
    "a relief valve set too low": ({"pump": {"pressure_limit_bar": 1.5}}, ["Delivery pressure"]),
    "no back pressure": (
        {"counter": {"back_pressure_bar": 0.0}, "tap": {"pressure_low_bar": 0.1, "pressure_high_bar": 0.2}},
        ["back-pressure valve"],
    ),
    "a very clean system": ({"sampling": {"cleanest_code": [11, 9, 6]}}, ["Remedy: count"]),
    "a meter too coarse": ({"meter": {"pulse_ul": 1000.0}}, ["30 meter pulses"]),
    "a meter out of range": ({"meter": {"flow_high_ml_min": 100.0}}, ["The meter reads"]),
    "long level lines": ({"line": [{"length_m": 6.0, "horizontal_m": 6.0}]}, ["21 um mineral"]),
    "a tap at full pressure": ({"tap": {"pressure_high_bar": 160.0}}, ["rated pressure reducer"]),
    "a log too small": ({"sampling": {"log_segments": 30}}, ["The log is full"]),
    "hot thin fluid in a hole": (
        {
            "counter": {"passage_bore_mm": 0.3},
            "fluid": {"viscosity_40c_mm2_s": 2.0, "viscosity_100c_mm2_s": 1.0},
        },
        ["not laminar"],
    ),
}


@pytest.mark.parametrize("case", SHORT)
def test_a_shortfall_is_a_sentence_with_its_remedy(case):
    tables, words = SHORT[case]
    found = assess(changed(**tables))
    for word in words:
        assert any(word in text for text in found.shortfalls), found.shortfalls
    assert all("Remedy: " in text and "\n" not in text for text in found.shortfalls)


def test_the_flush_is_judged_at_its_own_inlet_pressure():
    """The example at a tap of 0.4 bar, cold: fine at 50 mL/min, a vacuum while flushing at 120.

    By hand (Hagen-Poiseuille and hydrostatics): 262 mm2/s and 873 kg/m3 at 10 degC, 1.2 m of 4 mm, 0.5 m up:
    128 * 0.2287 * 1.2 * 2e-6 / (pi * 0.004^4) = 0.874 bar, and 0.043 bar; 1.413 less these is 0.497 bar
    absolute, at which 0.09 * (1.013 / 0.497 - 1) = 0.0935 of air comes out, 8.6 % of the whole.
    """
    found = assess(changed(tap={"pressure_low_bar": 0.4}))
    rows = {row.name: row for row in found.rows}
    inlet = rows["pressure at the pump's inlet while flushing"]
    agree("inlet pressure while flushing", inlet.cold, 0.497, 0.01)
    assert not inlet.ok
    assert rows["pressure at the pump's inlet"].ok
    agree("air while flushing", rows["air that may come out at the inlet while flushing"].cold, 8.55, 0.03)
    told = " ".join(found.shortfalls)
    assert "Suction pressure" in told
    assert "while flushing at 120 mL/min" in told
    assert "while counting" not in told
    # The way out that it names is one.
    most = float(re.search(r"or flush at (\d+) mL/min at most", told)[1])
    slower = assess(changed(tap={"pressure_low_bar": 0.4}, sampling={"purge_flow_ml_min": most}))
    assert slower.shortfalls == ()
    faster = assess(changed(tap={"pressure_low_bar": 0.4}, sampling={"purge_flow_ml_min": most + 2}))
    assert faster.shortfalls
    # The coldest oil is that of the flush, which stops it first.
    assert found.coldest_oil_c > 10.0


@pytest.mark.parametrize("name", ["counting", "flushing"])
def test_every_flow_of_the_cycle_is_one_that_the_board_holds(name):
    """What the board's sequence can set in a cycle are these two and no third."""
    from skidboard.sequence import Sequence

    rig = changed(sampling={"flow_ml_min": 51.0, "purge_flow_ml_min": 111.0})
    settings = assess(rig).settings
    board = {"counting": "flow_set_ul_s", "flushing": "purge_flow_ul_s"}
    assert settings[board[name]] == round(rig.flows_ml_min()[name] * 1000 / 60)
    held = set(re.findall(r"set_ul_s = self\.(_\w+)", inspect.getsource(Sequence._enter)))
    assert held == {"_purge_ul_s", "_hold_ul_s", "_hand_ul_s"}


def test_coldest_oil_is_where_the_limit_is_just_met():
    coldest = hydraulics.coldest_c(RIG, 50.0, "suction pressure")
    just = hydraulics.state_at(RIG, coldest, 50.0).inlet_bar_abs
    agree("inlet pressure at the coldest oil", just, RIG.pump.inlet_least_bar_abs, 0.002)
    assert hydraulics.limits(RIG, hydraulics.state_at(RIG, coldest - 0.5, 50.0))["suction pressure"] is False


def test_nothing_possible_is_said_and_not_raised():
    hopeless = changed(pump={"torque_limit_nm": 0.01})
    found = assess(hopeless)
    assert found.coldest_oil_c is None
    assert any("at no temperature" in text for text in found.shortfalls)


def test_cold_oil_is_flushed_more_slowly():
    thick = changed(pump={"torque_limit_nm": 0.10})
    cold, warm = figures.cycle_at(thick, 5.0), figures.cycle_at(thick, 60.0)
    assert cold.purge_flow_ml_min < warm.purge_flow_ml_min == 120.0
    assert cold.purge_s > warm.purge_s


def test_metal_does_not_come_through_and_it_is_said():
    assert any(text.startswith("200 um bronze") for text in assess(RIG).advice)


@pytest.mark.parametrize("ending", ["svg", "png"])
def test_a_picture_is_drawn(tmp_path, ending):
    path = tmp_path / f"rig.{ending}"
    draw(RIG, assess(RIG), path)
    assert path.stat().st_size > 10000


def test_a_picture_of_an_unknown_kind_is_refused(tmp_path):
    with pytest.raises(RigError, match=r"ends in \.svg"):
        draw(RIG, assess(RIG), tmp_path / "rig.xyz")


# ------------------------------------------------------------- the file


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda d: d.update(format=3), "format must be 1"),
        (lambda d: d.update(pumps={}), "unknown table 'pumps'"),
        (lambda d: d["pump"].update(displacment=1), "pump: unknown key 'displacment'"),  # codespell:ignore
        (lambda d: d["pump"].pop("displacement_ml_rev"), "pump: missing"),
        (lambda d: d["pump"].update(displacement_ml_rev=0), "'displacement_ml_rev' must be above 0"),
        (lambda d: d["pump"].update(displacement_ml_rev="0.3"), "does not take text"),
        (lambda d: d["line"][0].update(place="sucktion"), "line 1: place must be one of"),
        (lambda d: d["line"][0].update(rise_m=3.0), "line 1: it rises or runs level"),
        (lambda d: d.update(line=d["line"][1:]), "place suction"),
        (lambda d: d["line"][0].update(bore_mm=float("nan")), "line 1: 'bore_mm' must be a finite number"),
        (lambda d: d["line"][0].update(bore_mm=1e300), "line 1: 'bore_mm' must be a finite number"),
        (lambda d: d["fluid"].update(density_15c_kg_m3=float("inf")), "must be a finite number"),
        (lambda d: d["tap"].update(pressure_high_bar=float("nan")), "must be a finite number"),
        (lambda d: d["fluid"].update(coldest_c=-280.0), "must lie from -60 to 200 degC"),
        (lambda d: d["fluid"].update(coldest_c=80.0), "coldest_c must be below"),
        (lambda d: d["fluid"].update(viscosity_100c_mm2_s=50.0), "viscosity_40c_mm2_s must be above"),
        (lambda d: d["fluid"].update(viscosity_100c_mm2_s=0.1), "D341 holds from"),
        (lambda d: d["sampling"].update(flow_ml_min=70.0), "must lie within the counter's flow band"),
        (lambda d: d["sampling"].update(cleanest_code=[16, 14]), "three scale numbers"),
        (lambda d: d["tap"].update(pressure_low_bar=-1.5), "vacuum"),
    ],
)
def test_a_rig_that_makes_no_sense_is_refused_by_name(edit, words):
    document = copy.deepcopy(DOCUMENT)
    edit(document)
    with pytest.raises(RigError, match=words):
        parse(document)


def test_a_rig_file_that_is_not_there(tmp_path):
    with pytest.raises(RigError, match="cannot be read"):
        load(tmp_path / "rig.toml")
