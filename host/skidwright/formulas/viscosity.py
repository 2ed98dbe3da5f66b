"""Viscosity index by ASTM D2270 (ISO 2909), from kinematic viscosities at 40 and 100 degC.

Source: ASTM D2270-10, table 1 (L and H against the viscosity at 100 degC, linear
interpolation, 2 to 70 mm2/s) and its equations above 70 mm2/s, with procedure A
up to 100 and procedure B above. Not defined below 2 mm2/s at 100 degC.
"""

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.arrays import Floats

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


class ViscosityLine(NamedTuple):
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
) -> ViscosityLine:
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
    return ViscosityLine(float(w1 + b * log_t1), b)


def viscosity(line: ViscosityLine, temp_c: ArrayLike) -> Floats:
    """Kinematic viscosity in mm2/s at temperatures in degC; NaN where it leaves D341's range.

    ValueError at or below absolute zero.
    """
    power = line.a - line.b * np.log10(_kelvin(temp_c))
    with np.errstate(over="ignore"):
        return viscosity_of_z(10 ** (10 ** np.minimum(power, 2.0)))


def temperature(line: ViscosityLine, viscosity_mm2_s: ArrayLike) -> Floats:
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


LOWEST_100C_MM2_S = 2.0

# mm2/s at 40 degC of an oil of viscosity index 0, by the viscosity at 100 degC (_Y below)
_L_TEXT = """
7.994 8.64 9.309 10 10.71 11.45 12.21 13 13.8 14.63 15.49 16.36 17.26 18.18 19.12 20.09 21.08 22.09
23.13 24.19 25.32 26.5 27.75 29.07 30.48 31.96 33.52 35.13 36.79 38.5 40.23 41.99 43.76 45.53 47.31
49.09 50.87 52.64 54.42 56.2 57.97 59.74 61.52 63.32 65.18 67.12 69.16 71.29 73.48 75.72 78 80.25 82.39
84.53 86.66 88.85 91.04 93.2 95.43 97.72 100 102.3 104.6 106.9 109.2 111.5 113.9 116.2 118.5 120.9 123.3
125.7 128 130.4 132.8 135.3 137.7 140.1 142.7 145.2 147.7 150.3 152.9 155.4 158 160.6 163.2 165.8 168.5
171.2 173.9 176.6 179.4 182.1 184.9 187.6 190.4 193.3 196.2 199 201.9 204.8 207.8 210.7 213.6 216.6
219.6 222.6 225.7 228.8 231.9 235 238.1 241.2 244.3 247.4 250.6 253.8 257 260.1 263.3 266.6 269.8 273
276.3 279.6 283 286.4 289.7 293 296.5 300 303.4 306.9 310.3 313.9 317.5 321.1 324.6 328.3 331.9 335.5
339.2 342.9 346.6 350.3 354.1 358 361.7 365.6 369.4 373.3 377.1 381 384.9 388.9 392.7 396.7 400.7 404.6
408.6 412.6 416.7 420.7 424.9 429 433.2 437.3 441.5 445.7 449.9 454.2 458.4 462.7 467 471.3 475.7 479.7
483.9 488.6 493.2 501.5 510.8 519.9 528.8 538.4 547.5 556.7 566.4 575.6 585.2 595 604.3 614.2 624.1
633.6 643.4 653.8 663.3 673.7 683.9 694.5 704.2 714.9 725.7 736.5 747.2 758.2 769.3 779.7 790.4 801.6
812.8 824.1 835.5 847 857.5 869 880.6 892.3 904.1 915.8 927.6 938.6 951.2 963.4 975.4 987.1 998.9 1011
1023 1055 1086 1119 1151 1184 1217 1251 1286 1321 1356 1391 1427 1464 1501 1538 1575 1613 1651 1691 1730
1770 1810 1851 1892 1935 1978 2021 2064 2108 2152 2197 2243 2288 2333 2380 2426 2473 2521 2570 2618 2667
2717 2767 2817 2867 2918 2969 3020 3073 3126 3180 3233 3286 3340 3396 3452 3507 3563 3619 3676 3734 3792
3850 3908 3966 4026 4087 4147 4207 4268 4329 4392 4455 4517 4580 4645 4709 4773 4839 4905
"""
# the same of viscosity index 100
_H_TEXT = """
6.394 6.894 7.41 7.944 8.496 9.063 9.647 10.25 10.87 11.5 12.15 12.82 13.51 14.21 14.93 15.66 16.42
17.19 17.97 18.77 19.56 20.37 21.21 22.05 22.92 23.81 24.71 25.63 26.57 27.53 28.49 29.46 30.43 31.4
32.37 33.34 34.32 35.29 36.26 37.23 38.19 39.17 40.15 41.13 42.14 43.18 44.24 45.33 46.44 47.51 48.57
49.61 50.69 51.78 52.88 53.98 55.09 56.2 57.31 58.45 59.6 60.74 61.89 63.05 64.18 65.32 66.48 67.64
68.79 69.94 71.1 72.27 73.42 74.57 75.73 76.91 78.08 79.27 80.46 81.67 82.87 84.08 85.3 86.51 87.72
88.95 90.19 91.4 92.65 93.92 95.19 96.45 97.71 98.97 100.2 101.5 102.8 104.1 105.4 106.7 108 109.4 110.7
112 113.3 114.7 116 117.4 118.7 120.1 121.5 122.9 124.2 125.6 127 128.4 129.8 131.2 132.6 134 135.4
136.8 138.2 139.6 141 142.4 143.9 145.3 146.8 148.2 149.7 151.2 152.6 154.1 155.6 157 158.6 160.1 161.6
163.1 164.6 166.1 167.7 169.2 170.7 172.3 173.8 175.4 177 178.6 180.2 181.7 183.3 184.9 186.5 188.1
189.7 191.3 192.9 194.6 196.2 197.8 199.4 201 202.6 204.3 205.9 207.6 209.3 211 212.7 214.4 216.1 217.7
219.4 221.1 222.8 224.5 226.2 227.7 229.5 233 236.4 240.1 243.5 247.1 250.7 254.2 257.8 261.5 264.9
268.6 272.3 275.8 279.6 283.3 286.8 290.5 294.4 297.9 301.8 305.6 309.4 313 317 320.9 324.9 328.8 332.7
336.7 340.5 344.4 348.4 352.3 356.4 360.5 364.6 368.3 372.3 376.4 380.6 384.6 388.8 393 396.6 401.1
405.3 409.5 413.5 417.6 421.7 432.4 443.2 454 464.9 475.9 487 498.1 509.6 521.1 532.5 544 555.6 567.1
579.3 591.3 603.1 615 627.1 639.2 651.8 664.2 676.6 689.1 701.9 714.9 728.2 741.3 754.4 767.6 780.9
794.5 808.2 821.9 835.5 849.2 863 876.9 890.9 905.3 919.6 933.6 948.2 962.9 977.5 992.1 1007 1021 1036
1051 1066 1082 1097 1112 1127 1143 1159 1175 1190 1206 1222 1238 1254 1270 1286 1303 1319 1336 1352 1369
1386 1402 1419 1436 1454 1471 1488 1506 1523 1541 1558
"""
_Y = np.concatenate([np.arange(20, 200) / 10, np.arange(100, 150) / 5, np.arange(60, 141) / 2])
_L = np.array(_L_TEXT.split(), dtype=np.float64)
_H = np.array(_H_TEXT.split(), dtype=np.float64)


def viscosity_index(viscosity_40c_mm2_s: ArrayLike, viscosity_100c_mm2_s: ArrayLike) -> NDArray[np.float64]:
    """The viscosity index, unrounded (the standard reports whole numbers); arguments broadcast.

    NaN where the viscosity at 100 degC is below 2 mm2/s. ValueError when a
    viscosity is not above 0 or the oil is not thinner at 100 degC.
    """
    u, y = np.broadcast_arrays(
        np.asarray(viscosity_40c_mm2_s, dtype=np.float64), np.asarray(viscosity_100c_mm2_s, dtype=np.float64)
    )
    if np.any(u <= 0) or np.any(y <= 0):
        raise ValueError("viscosities must be above 0")
    if np.any(u <= y):
        raise ValueError("the viscosity at 100 degC must be below that at 40 degC")
    heavy = y > 70
    low = np.where(heavy, (0.8353 * y + 14.67) * y - 216, np.interp(y, _Y, _L))
    high = np.where(heavy, (0.1684 * y + 11.85) * y - 97, np.interp(y, _Y, _H))
    defined = y >= LOWEST_100C_MM2_S
    log_y = np.log(np.where(defined, y, 2.0))
    procedure_a = (low - u) / (low - high) * 100
    procedure_b = np.expm1(np.log(10) * (np.log(high) - np.log(u)) / log_y) / 0.00715 + 100
    return np.where(defined, np.where(u >= high, procedure_a, procedure_b), np.nan)
