"""Particles that settle in the level stretches of a sampling line before the counter sees them.

A sphere sinks by Stokes' law, v = (rho_p - rho) g d^2 / (18 mu), at particle
Reynolds numbers well below 1. Of the particles that laminar flow carries
through a level round bore, a share reaches the bottom: N. A. Fuchs, "The
Mechanics of Aerosols", 1964; W. C. Hinds, "Aerosol Technology", 2nd edition,
section 7.4. With e = 3 L v / (4 d u) it is
(2/pi) (2 e sqrt(1 - e^(2/3)) - e^(1/3) sqrt(1 - e^(2/3)) + arcsin e^(1/3)).
None is lifted again. L / u is the level volume over the flow, so the length
itself need not be known. Upright stretches lose nothing.
"""

import numpy as np
from numpy.typing import ArrayLike

from skidwright.arrays import Floats

GRAVITY_M_S2 = 9.80665
# Mineral dust as in test dust, and a mineral oil: common values, no source needed to 5 %.
DUST_KG_M3 = 2650.0
OIL_KG_M3 = 870.0


def stokes_m_s(
    size_um: ArrayLike,
    viscosity_mm2_s: ArrayLike,
    particle_kg_m3: ArrayLike = DUST_KG_M3,
    fluid_kg_m3: ArrayLike = OIL_KG_M3,
) -> Floats:
    """Settling velocity of spheres in m/s, downwards positive; arguments broadcast.

    ValueError when a size is negative, or a viscosity or a density not above 0.
    """
    size, viscosity = np.asarray(size_um, np.float64) * 1e-6, np.asarray(viscosity_mm2_s, np.float64) * 1e-6
    particle, fluid = np.asarray(particle_kg_m3, np.float64), np.asarray(fluid_kg_m3, np.float64)
    if np.any(size < 0) or np.any(viscosity <= 0) or np.any(particle <= 0) or np.any(fluid <= 0):
        raise ValueError("a size of 0 or more, and viscosity and densities above 0 are needed")
    return np.asarray((particle - fluid) * GRAVITY_M_S2 * size**2 / (18 * viscosity * fluid))


def settled_share(
    level_ul: ArrayLike, bore_mm: ArrayLike, flow_ul_s: ArrayLike, settling_m_s: ArrayLike
) -> Floats:
    """Share of particles that settle in level stretches of `level_ul` with one bore; arguments broadcast.

    1 where nothing flows. ValueError when a volume or flow is negative or the bore not above 0.
    """
    level, flow = np.asarray(level_ul, np.float64), np.asarray(flow_ul_s, np.float64)
    bore_m = np.asarray(bore_mm, np.float64) * 1e-3
    if np.any(level < 0) or np.any(flow < 0) or np.any(bore_m <= 0):
        raise ValueError("volume and flow cannot be negative, and a bore above 0 is needed")
    with np.errstate(divide="ignore", invalid="ignore"):
        e = 0.75 * (level / flow) * np.asarray(settling_m_s, np.float64) / bore_m
    e = np.clip(np.where((flow == 0) & (level > 0), 1.0, np.nan_to_num(e, nan=0.0, posinf=1.0)), 0.0, 1.0)
    cube = np.cbrt(e)
    root = np.sqrt(1 - cube * cube)
    return np.asarray(2 / np.pi * (2 * e * root - cube * root + np.arcsin(cube)))
