"""Pressures along the rig, and what they ask of the pump, at one temperature and flow.

Sources: pipe_flow.py; Wilson's model of positive-displacement pumps, slip Cs D dp / mu and torque
D dp / (2 pi) + Cv D mu n + Tc (W. E. Wilson, 1946; Ivantysyn, Hydrostatic Pumps and Motors, chapter 4);
released air by Henry's law with the Bunsen coefficient.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from skidwright.formulas import viscosity
from skidwright.rig.sizing.rig_file import Rig, RigFluid, SampleLine

LAMINAR_BELOW = 2000.0
TURBULENT_FROM = 4000.0
GRAVITY_M_S2 = 9.80665


def m3_s(ml_min: float) -> float:
    """Flow in m3/s from mL/min."""
    return ml_min / 60e6


def velocity_m_s(ml_min: float, bore_mm: float) -> float:
    """Mean velocity."""
    return m3_s(ml_min) / (math.pi * (bore_mm / 1000) ** 2 / 4)


def reynolds(ml_min: float, bore_mm: float, viscosity_mm2_s: float) -> float:
    """Reynolds number."""
    return velocity_m_s(ml_min, bore_mm) * bore_mm / 1000 / (viscosity_mm2_s * 1e-6)


def volume_ml(bore_mm: float, length_m: float) -> float:
    """Volume of a bore."""
    return math.pi * bore_mm**2 / 4 * length_m


def laminar_drop_bar(
    ml_min: float, bore_mm: float, length_m: float, viscosity_mm2_s: float, density_kg_m3: float
) -> float:
    """Pressure drop of laminar flow."""
    mu = viscosity_mm2_s * 1e-6 * density_kg_m3
    return 128 * mu * length_m * m3_s(ml_min) / (math.pi * (bore_mm / 1000) ** 4) / 1e5


def drop_bar(
    ml_min: float,
    bore_mm: float,
    length_m: float,
    viscosity_mm2_s: float,
    density_kg_m3: float,
    loss: float = 0.0,
) -> float:
    """Pressure drop of a bore with its fittings, laminar or turbulent."""
    v = velocity_m_s(ml_min, bore_mm)
    dynamic_pa = density_kg_m3 * v * v / 2
    re = reynolds(ml_min, bore_mm, viscosity_mm2_s)
    laminar = laminar_drop_bar(ml_min, bore_mm, length_m, viscosity_mm2_s, density_kg_m3)
    turbulent = 0.0
    if re >= LAMINAR_BELOW:
        turbulent = 0.3164 * re**-0.25 * length_m / (bore_mm / 1000) * dynamic_pa / 1e5
    wall = laminar if re < LAMINAR_BELOW else turbulent if re >= TURBULENT_FROM else max(laminar, turbulent)
    return wall + loss * dynamic_pa / 1e5


def head_bar(density_kg_m3: float, rise_m: float) -> float:
    """Pressure of a column of fluid."""
    return density_kg_m3 * GRAVITY_M_S2 * rise_m / 1e5


# Common practice, no source: more free air than this at the inlet, and the count is one of bubbles too.
RELEASED_AIR_MOST = 0.005


@dataclass(frozen=True)
class HydraulicState:
    """The rig at one temperature (degC) and flow (mL/min); pressures in bar, `_abs` absolute, else gauge."""

    celsius: float
    flow_ml_min: float
    viscosity_mm2_s: float
    density_kg_m3: float
    reynolds: float
    suction_drop_bar: float
    inlet_bar_abs: float
    counter_bar: float
    delivery_bar: float
    pump_rpm: float
    slip_ml_min: float
    torque_nm: float
    power_w: float
    released_air: float


def viscosity_at(fluid: RigFluid, celsius: float) -> float:
    """Kinematic viscosity (mm2/s) by ASTM D341 through the two given points; NaN beyond 2e7 mm2/s."""
    line = viscosity.line_through(40.0, fluid.viscosity_40c_mm2_s, 100.0, fluid.viscosity_100c_mm2_s)
    return float(viscosity.viscosity(line, celsius))


def density_at(fluid: RigFluid, celsius: float) -> float:
    """Density (kg/m3) by linear expansion of the volume from 15 degC."""
    return fluid.density_15c_kg_m3 / (1 + fluid.expansion_per_k * (celsius - 15))


def released_air(fluid: RigFluid, bar_abs: float, saturated_bar_abs: float) -> float:
    """Share of free air by volume at a pressure when the oil was saturated at another; 0 above that.

    Equilibrium, so the most there can be: Henry's law, released volume at p: B (p0 - p) / p.
    """
    if bar_abs >= saturated_bar_abs or bar_abs <= 0:
        return 0.0 if bar_abs > 0 else 1.0
    free = fluid.dissolved_air * (saturated_bar_abs - bar_abs) / bar_abs
    return free / (1 + free)


def _lines_bar(lines: tuple[SampleLine, ...], flow: float, nu: float, rho: float) -> tuple[float, float]:
    """Drop and head of lines in series."""
    drop = sum(drop_bar(flow, x.bore_mm, x.length_m, nu, rho, x.loss) for x in lines)
    return drop, sum(head_bar(rho, x.rise_m) for x in lines)


def state_at(rig: Rig, celsius: float, flow_ml_min: float, tap_bar: float | None = None) -> HydraulicState:
    """The rig at a temperature and flow; `tap_bar` is the gauge pressure at the tap, else the lowest."""
    nu, rho = viscosity_at(rig.fluid, celsius), density_at(rig.fluid, celsius)
    tap = rig.tap.pressure_low_bar if tap_bar is None else tap_bar
    suction, lift = _lines_bar(rig.lines_at("suction"), flow_ml_min, nu, rho)
    inlet = rig.tap.air_bar_abs + tap - suction - lift
    back, back_head = _lines_bar(rig.lines_at("return"), flow_ml_min, nu, rho)
    meter = (
        rig.meter.drop_bar
        * (flow_ml_min / rig.meter.drop_flow_ml_min)
        * (nu / rig.meter.drop_viscosity_mm2_s)
    )
    behind = back + back_head + meter + rig.counter.back_pressure_bar
    passage = drop_bar(
        flow_ml_min, rig.counter.passage_bore_mm, rig.counter.passage_length_mm / 1000, nu, rho, loss=1.5
    )
    before, before_head = _lines_bar(rig.lines_at("counter"), flow_ml_min, nu, rho)
    delivery = behind + passage + before + before_head
    # The pump does no work on a sample that the tap's pressure pushes through.
    lifted = max(0.0, delivery - (inlet - rig.tap.air_bar_abs))
    p = rig.pump
    slip = p.slip_ml_min_bar * lifted * p.slip_viscosity_mm2_s / nu
    rpm = (flow_ml_min + slip) / p.displacement_ml_rev
    viscous = p.viscous_nm_1000rpm * (nu / p.viscous_viscosity_mm2_s) * rpm / 1000
    torque = p.displacement_ml_rev * 1e-6 * lifted * 1e5 / (2 * math.pi) + viscous + p.friction_nm
    bores = [x.bore_mm for x in rig.lines] + [rig.counter.passage_bore_mm]
    return HydraulicState(
        celsius=celsius,
        flow_ml_min=flow_ml_min,
        viscosity_mm2_s=nu,
        density_kg_m3=rho,
        reynolds=max(reynolds(flow_ml_min, bore, nu) for bore in bores),
        suction_drop_bar=suction,
        inlet_bar_abs=inlet,
        counter_bar=behind + passage,
        delivery_bar=delivery,
        pump_rpm=rpm,
        slip_ml_min=slip,
        torque_nm=torque,
        power_w=torque * rpm * 2 * math.pi / 60,
        released_air=released_air(rig.fluid, inlet, rig.tap.air_bar_abs),
    )


def inlet_least_bar_abs(rig: Rig) -> float:
    """Lowest pressure at the pump's inlet: the pump's own limit, or 0.1 bar above the vapour pressure."""
    return max(rig.pump.inlet_least_bar_abs, rig.fluid.vapour_pressure_bar + 0.1)


def limits(rig: Rig, state: HydraulicState) -> dict[str, bool]:
    """For each thing that may stop the rig from sampling: True when it is within its limit."""
    return {
        "suction pressure": state.inlet_bar_abs >= inlet_least_bar_abs(rig),
        "released air": state.released_air <= RELEASED_AIR_MOST,
        "delivery pressure": state.delivery_bar <= rig.pump.pressure_limit_bar,
        "counter pressure": state.counter_bar <= rig.counter.pressure_limit_bar,
        "pump speed": state.pump_rpm <= rig.pump.speed_max_rpm,
        "torque": state.torque_nm <= rig.pump.torque_limit_nm,
        "power": state.power_w <= rig.pump.power_limit_w,
        "pump viscosity": state.viscosity_mm2_s <= rig.pump.viscosity_max_mm2_s,
        "counter viscosity": state.viscosity_mm2_s <= rig.counter.viscosity_max_mm2_s,
        "meter viscosity": state.viscosity_mm2_s <= rig.meter.viscosity_max_mm2_s,
    }


def possible(rig: Rig, celsius: float, flow_ml_min: float) -> bool:
    """True when nothing stops the rig at a temperature and flow."""
    return all(limits(rig, state_at(rig, celsius, flow_ml_min)).values())


LOWEST_C = -40.0


def coldest_c(rig: Rig, flow_ml_min: float, limit: str) -> float | None:
    """Coldest temperature (degC) at which one limit is kept at a flow; None when not even hot.

    Every limit gets worse as the oil thickens, except the pump's speed, which slip makes worst when hot; so
    the search goes down from the hottest by bisection and stops at -40 degC.
    """

    def kept(celsius: float) -> bool:
        return limits(rig, state_at(rig, celsius, flow_ml_min))[limit]

    warm, cold = rig.fluid.hottest_c, LOWEST_C
    if not kept(warm):
        return None
    if kept(cold):
        return cold
    while warm - cold > 0.01:
        middle = (warm + cold) / 2
        warm, cold = (middle, cold) if kept(middle) else (warm, middle)
    return warm


def largest_flow_ml_min(rig: Rig, celsius: float, wanted_ml_min: float) -> float:
    """Largest flow up to `wanted_ml_min` that breaks no limit at a temperature; 0 when none is possible."""
    if possible(rig, celsius, wanted_ml_min):
        return wanted_ml_min
    low, high = 0.0, wanted_ml_min
    while high - low > 0.01:
        middle = (low + high) / 2
        low, high = (middle, high) if possible(rig, celsius, middle) else (low, middle)
    return low
