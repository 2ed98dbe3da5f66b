"""Particles on the way to the counter: settling in level lines, few particles in a small volume, crowding.

Sources: Stokes' law, v = (rho_p - rho) g d^2 / (18 mu), particle Reynolds number below 1; share settled
from laminar flow in a level round bore (Fuchs, The Mechanics of Aerosols, 1964; Hinds, Aerosol Technology,
2nd ed., section 7.4): with e = 3 L v_s / (4 d u), (2/pi) (2 e sqrt(1 - e^(2/3)) - e^(1/3) sqrt(1 - e^(2/3)) +
arcsin e^(1/3)); ISO 4406:2021 table 1; Poisson statistics.
"""

from __future__ import annotations

import math

from skidboard.cleanliness import UPPER_CENTI_PER_ML

from skidwright.trade.coincidence import observed

from .pipe_flow import GRAVITY_M_S2, velocity_m_s
from .rig_file import Line, Rig

# Size (um), density (kg/m3), name. Mineral dust as in test dust; metals as in gears and bearings.
KINDS = (
    (14.0, 2650.0, "14 um mineral"),
    (21.0, 2650.0, "21 um mineral"),
    (70.0, 7850.0, "70 um steel"),
    (200.0, 8800.0, "200 um bronze"),
)


def stokes_m_s(size_um: float, density: float, fluid_density: float, viscosity_mm2_s: float) -> float:
    """Settling velocity of a sphere, downwards positive."""
    mu = viscosity_mm2_s * 1e-6 * fluid_density
    return (density - fluid_density) * GRAVITY_M_S2 * (size_um * 1e-6) ** 2 / (18 * mu)


def particle_reynolds(size_um: float, velocity: float, viscosity_mm2_s: float) -> float:
    """Reynolds number of the settling particle; Stokes' law holds well below 1."""
    return velocity * size_um * 1e-6 / (viscosity_mm2_s * 1e-6)


def settled_share(length_m: float, bore_mm: float, flow_velocity: float, settling_velocity: float) -> float:
    """Share of particles that reach the bottom of a level bore on the way, none lifted again."""
    e = 3 * length_m * settling_velocity / (4 * bore_mm / 1000 * flow_velocity)
    if e <= 0:
        return 0.0
    if e >= 1:
        return 1.0
    cube = float(e ** (1 / 3))
    root = math.sqrt(1 - cube * cube)
    return 2 / math.pi * (2 * e * root - cube * root + math.asin(cube))


def line_loss(
    lines: tuple[Line, ...], ml_min: float, size_um: float, density: float, rho: float, nu: float
) -> float:
    """Share of particles settled over all level stretches of lines in series."""
    kept = 1.0
    settling = stokes_m_s(size_um, density, rho, nu)
    for line in lines:
        if line.horizontal_m:
            kept *= 1 - settled_share(
                line.horizontal_m, line.bore_mm, velocity_m_s(ml_min, line.bore_mm), settling
            )
    return 1 - kept


def lift_ratio(lines: tuple[Line, ...], ml_min: float, settling_velocity: float) -> float:
    """Settling velocity over the slowest mean velocity of the rising lines; 0 when none rises."""
    rising = [velocity_m_s(ml_min, x.bore_mm) for x in lines if x.rise_m > 0]
    return settling_velocity / min(rising) if rising else 0.0


def needed_volume_ml(code: tuple[int, int, int], least_count: float) -> float:
    """Volume (mL) that holds `least_count` particles of the scarcest channel at the low end of its code.

    The code says "more than" its lower limit, so the volume is the one at that limit.
    """
    lowest_per_ml = min(UPPER_CENTI_PER_ML[number - 1] / 100 for number in code)
    return least_count / lowest_per_ml


def count_spread(count: float) -> float:
    """Relative standard deviation of a Poisson count."""
    return 1 / math.sqrt(count)


def crowded_per_ml(sensing_volume_ul: float, share: float) -> float:
    """Concentration (per mL) at which coincidence hides a share of the particles: c = -ln(1 - share) / v."""
    return -math.log(1 - share) / (sensing_volume_ul / 1000)


def coincidence_share(per_ml: float, sensing_volume_ul: float) -> float:
    """Share of particles hidden at a concentration."""
    return 1 - float(observed(per_ml, sensing_volume_ul / 1000)) / per_ml


def transport_lines(rig: Rig) -> tuple[Line, ...]:
    """Lines between tap and counter."""
    return rig.lines_at("suction") + rig.lines_at("counter")
