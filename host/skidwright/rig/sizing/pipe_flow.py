"""Flow in a round bore: velocity, Reynolds number, pressure drop.

Sources: Hagen-Poiseuille, dp = 128 mu L Q / (pi d^4); Reynolds number v d / nu, laminar below 2000; above it
Blasius, f = 0.3164 Re^-0.25 (smooth, up to 1e5); fittings K rho v^2 / 2 (White, Fluid Mechanics, 7th ed.,
chapter 6). Between 2000 and 4000 the larger of the two drops is taken.
"""

from __future__ import annotations

import math

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
