"""Viscosity of an oil at any temperature (ASTM D341) and its ISO viscosity grade (ISO 3448).

ASTM D341: log10 log10 Z = A - B log10 T, with T in kelvin and
Z = nu + 0.7 + C - D + E - F + G - H, nu in mm2/s, and the six exponentials
below. They matter under 2 mm2/s; the equation holds from 0.21 to 2e7 mm2/s. The
six exponentials are from memory; the tests hold them to the standard's short form, Z =
nu + 0.7 + exp(-1.47 - 1.84 nu - 0.51 nu^2), and to CoolProp's viscosities of three
alkanes. D341 is for a single liquid phase: not below the cloud point, not above the
start of boiling. Far outside the two temperatures it is fitted at it is an
extrapolation.

ISO 3448:1992: grades 2 to 3200, midpoint viscosity at 40 degC, limits 10 % to
either side. Between the grades are gaps: an oil there has no grade.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

KELVIN = 273.15
LOWEST_MM2_S = 0.21
HIGHEST_MM2_S = 2e7
# sign, constant, slope of C to H in order
_EXPONENTIALS = (
    (1, -1.14883, 2.65868),
    (-1, -0.0038138, 12.5645),
    (1, 5.46491, 37.6289),
    (-1, 13.0458, 74.6851),
    (1, 37.4619, 192.643),
    (-1, 80.4945, 400.468),
)
# grade: (lower limit, upper limit), mm2/s at 40 degC, both inside the grade
ISO_VG_LIMITS = {
    2: (1.98, 2.42), 3: (2.88, 3.52), 5: (4.14, 5.06), 7: (6.12, 7.48), 10: (9.00, 11.0), 15: (13.5, 16.5),
    22: (19.8, 24.2), 32: (28.8, 35.2), 46: (41.4, 50.6), 68: (61.2, 74.8), 100: (90.0, 110), 150: (135, 165),
    220: (198, 242), 320: (288, 352), 460: (414, 506), 680: (612, 748), 1000: (900, 1100), 1500: (1350, 1650),
    2200: (1980, 2420), 3200: (2880, 3520),
}  # fmt: skip
NO_GRADE = 0


class Line(NamedTuple):
    """An oil's straight line on the D341 chart: log10 log10 Z = a - b log10 T."""

    a: float
    b: float


def z_of_viscosity(viscosity_mm2_s: ArrayLike) -> Floats:
    """D341's Z of a kinematic viscosity; ValueError outside 0.21 to 2e7 mm2/s."""
    nu = np.asarray(viscosity_mm2_s, dtype=np.float64)
    if not np.all((nu >= LOWEST_MM2_S) & (nu <= HIGHEST_MM2_S) | np.isnan(nu)):
        raise ValueError(f"viscosity: D341 holds from {LOWEST_MM2_S} to {HIGHEST_MM2_S:g} mm2/s")
    return _z(nu)


def viscosity_of_z(z: ArrayLike) -> Floats:
    """Kinematic viscosity in mm2/s of D341's Z, by Newton's method; NaN outside 0.21 to 2e7 mm2/s."""
    value = np.asarray(z, dtype=np.float64)
    inside = (value >= _z(np.array(LOWEST_MM2_S))) & (value <= HIGHEST_MM2_S + 0.7)
    target = np.where(inside, value, 1.7)
    # the terms C to H only add, so the root lies to the left of Z - 0.7
    nu = np.maximum(target - 0.7, LOWEST_MM2_S)
    for _ in range(40):
        step = (_z(nu) - target) / _slope(nu)
        nu = np.clip(nu - step, LOWEST_MM2_S, HIGHEST_MM2_S)
        if np.all(np.abs(step) <= 1e-14 * nu):
            break
    return np.where(inside, nu, np.nan)


def line_through(
    temp_1_c: float, viscosity_1_mm2_s: float, temp_2_c: float, viscosity_2_mm2_s: float
) -> Line:
    """The D341 line through two measured viscosities.

    ValueError outside D341's range, below absolute zero, when the temperatures are
    equal, or when the hotter oil is not the thinner.
    """
    log_t1, log_t2 = np.log10(_kelvin(temp_1_c)), np.log10(_kelvin(temp_2_c))
    w1 = float(np.log10(np.log10(z_of_viscosity(viscosity_1_mm2_s))))
    w2 = float(np.log10(np.log10(z_of_viscosity(viscosity_2_mm2_s))))
    if temp_1_c == temp_2_c:
        raise ValueError("two different temperatures are needed")
    b = float((w1 - w2) / (log_t2 - log_t1))
    if b <= 0:
        raise ValueError("the viscosity at the higher temperature must be the lower one")
    return Line(float(w1 + b * log_t1), b)


def viscosity(line: Line, temp_c: ArrayLike) -> Floats:
    """Kinematic viscosity in mm2/s at temperatures in degC; NaN where it leaves D341's range.

    ValueError at or below absolute zero.
    """
    power = line.a - line.b * np.log10(_kelvin(temp_c))
    with np.errstate(over="ignore"):
        return viscosity_of_z(10 ** (10 ** np.minimum(power, 2.0)))


def temperature(line: Line, viscosity_mm2_s: ArrayLike) -> Floats:
    """Temperature in degC at which the oil has a viscosity; ValueError outside D341's range."""
    w = np.log10(np.log10(z_of_viscosity(viscosity_mm2_s)))
    return np.asarray(10 ** ((line.a - w) / line.b) - KELVIN)


def iso_vg(viscosity_40c_mm2_s: ArrayLike) -> NDArray[np.int64]:
    """ISO viscosity grade of viscosities at 40 degC, NO_GRADE (0) in the gaps and beyond the ends.

    ValueError for a negative viscosity.
    """
    nu = np.asarray(viscosity_40c_mm2_s, dtype=np.float64)
    if np.any(nu < 0):
        raise ValueError("a viscosity cannot be negative")
    grades = np.zeros(nu.shape, dtype=np.int64)
    for grade, (low, high) in ISO_VG_LIMITS.items():
        grades = np.where((nu >= low) & (nu <= high), grade, grades)
    return grades


def _z(nu: Floats) -> Floats:
    return np.asarray(nu + 0.7 + sum(sign * np.exp(c - slope * nu) for sign, c, slope in _EXPONENTIALS))


def _slope(nu: Floats) -> Floats:
    return np.asarray(1.0 - sum(sign * slope * np.exp(c - slope * nu) for sign, c, slope in _EXPONENTIALS))


def _kelvin(temp_c: ArrayLike) -> Floats:
    kelvin = np.asarray(temp_c, dtype=np.float64) + KELVIN
    if np.any(kelvin <= 0):
        raise ValueError("a temperature above absolute zero is needed")
    return kelvin
