"""Classes of SAE AS4059 and NAS 1638."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from skidwright.formulas.iso4406 import NOT_COUNTED

SIZES_UM = (4, 6, 14, 21, 38, 70)
LETTERS = ("A", "B", "C", "D", "E", "F")
CUMULATIVE_NAMES = ("000", "00", "0", "1", "2", "3", "4", "5", "6", "7", "8", "9", "10", "11", "12", ">12")
# particles per 100 mL, one row a code, one column a size
CUMULATIVE_PER_100_ML = (
    (195, 76, 14, 3, 1, 0),
    (390, 152, 27, 5, 1, 0),
    (780, 304, 54, 10, 2, 0),
    (1560, 609, 109, 20, 4, 1),
    (3120, 1220, 217, 39, 7, 1),
    (6250, 2430, 432, 76, 13, 2),
    (12500, 4860, 864, 152, 26, 4),
    (25000, 9730, 1730, 306, 53, 8),
    (50000, 19500, 3460, 612, 106, 16),
    (100000, 38900, 6920, 1220, 212, 32),
    (200000, 77900, 13900, 2450, 424, 64),
    (400000, 156000, 27700, 4900, 848, 128),
    (800000, 311000, 55400, 9800, 1700, 256),
    (1600000, 623000, 111000, 19600, 3390, 512),
    (3200000, 1250000, 222000, 39200, 6780, 1020),
)
DIFFERENTIAL_RANGES = ("6-14", "14-21", "21-38", "38-70", ">70")
DIFFERENTIAL_NAMES = CUMULATIVE_NAMES[1:]
DIFFERENTIAL_PER_100_ML = (
    (125, 22, 4, 1, 0),
    (250, 44, 8, 2, 0),
    (500, 89, 16, 3, 1),
    (1000, 178, 32, 6, 1),
    (2000, 356, 63, 11, 2),
    (4000, 712, 126, 22, 4),
    (8000, 1425, 253, 45, 8),
    (16000, 2850, 506, 90, 16),
    (32000, 5700, 1012, 180, 32),
    (64000, 11400, 2025, 360, 64),
    (128000, 22800, 4050, 720, 128),
    (256000, 45600, 8100, 1440, 256),
    (512000, 91200, 16200, 2880, 512),
    (1024000, 182400, 32400, 5760, 1024),
)


class Classes(NamedTuple):
    """What a standard says of one sample.

    `text` is the code or class; `by_size` what each size or range that was counted
    comes to; `missing` the sizes or ranges that were not counted; `partial` is True when there are any.
    """

    text: str
    by_size: Mapping[str, str]
    missing: tuple[str, ...]
    partial: bool


def class_numbers(per_ml: ArrayLike, limits_per_100_ml: Sequence[Sequence[int]]) -> NDArray[np.int64]:
    """Row of the limits table that holds each concentration, the number of rows above the table.

    The last axis of `per_ml` (particles per mL) goes over the table's columns, and
    may be shorter. NaN gives NOT_COUNTED. ValueError when one is negative or there are too many.
    """
    values = np.asarray(per_ml, dtype=np.float64)
    columns = values.shape[-1]
    table = np.asarray(limits_per_100_ml, dtype=np.float64)
    if columns > table.shape[1]:
        raise ValueError(f"the standard has {table.shape[1]} sizes, {columns} were given")
    if np.any(values < 0):
        raise ValueError("a concentration in particles per mL cannot be negative")
    # limits divided by 100 are the nearest floats to their decimals, so a decimal on a limit stays on it
    rows = np.sum(values[..., None, :] > table[:, :columns] / 100, axis=-2)
    return np.where(np.isnan(values), NOT_COUNTED, rows)


def row_of(per_ml: Fraction, column: int, limits_per_100_ml: Sequence[Sequence[int]]) -> int:
    """As `class_numbers` for one exact concentration."""
    return sum(per_ml * 100 > row[column] for row in limits_per_100_ml)


def cumulative_codes(per_ml: ArrayLike) -> NDArray[np.int64]:
    """Index into CUMULATIVE_NAMES for concentrations per mL, last axis the sizes >4, >6, >14, ... um(c).

    NaN and errors as in `class_numbers`.
    """
    return class_numbers(per_ml, CUMULATIVE_PER_100_ML)


def differential_classes(per_ml: ArrayLike) -> NDArray[np.int64]:
    """Index into DIFFERENTIAL_NAMES, the highest of the ranges, for cumulative concentrations per mL.

    The last axis goes over >6, >14, >21 um(c) and so on, at least two of them; with five the last
    range is >70 um(c). Fewer make a partial class. NOT_COUNTED where a value is NaN; ValueError where
    concentrations rise with size, and as in `class_numbers`.
    """
    return np.asarray(np.max(class_numbers(ranges(per_ml), DIFFERENTIAL_PER_100_ML), axis=-1))


def ranges(per_ml: ArrayLike) -> NDArray[np.float64]:
    """Concentrations within the size ranges, from cumulative ones at two to five sizes (last axis)."""
    values = np.asarray(per_ml, dtype=np.float64)
    if not 2 <= values.shape[-1] <= len(DIFFERENTIAL_RANGES):
        raise ValueError("cumulative concentrations at two to five sizes from >6 um(c) up are needed")
    # a difference of floats slips in the sixteenth digit: keep it from tipping a class at its limit
    within = np.round(values[..., :-1] - values[..., 1:], 9)
    if np.any(within < 0):
        raise ValueError("cumulative concentrations cannot rise with size")
    if values.shape[-1] == len(DIFFERENTIAL_RANGES):
        within = np.concatenate([within, values[..., -1:]], axis=-1)
    return within


def cumulative(per_ml: Sequence[Fraction | None]) -> Classes:
    """The code of one sample at >4, >6, >14, >21, >38, >70 um(c), such as `7A/6B/6C/5D`.

    Sizes left out at the end, or None, were not counted. ValueError when a concentration is
    negative, none is given, or there are more than six.
    """
    given = _checked(per_ml, len(SIZES_UM))
    by_size = {
        letter: CUMULATIVE_NAMES[row_of(value, i, CUMULATIVE_PER_100_ML)]
        for i, (letter, value) in enumerate(zip(LETTERS, given, strict=True))
        if value is not None
    }
    missing = tuple(
        f"{letter} (>{um} um)" for letter, um in zip(LETTERS, SIZES_UM, strict=True) if letter not in by_size
    )
    return Classes(
        "/".join(name + letter for letter, name in by_size.items()), by_size, missing, bool(missing)
    )


def differential(per_ml: Sequence[Fraction | None]) -> Classes:
    """The class of one sample from cumulative concentrations at the same sizes: the highest of its ranges.

    Errors as in `cumulative`, and ValueError when no range was counted on both sides or concentrations
    rise with size.
    """
    return of_ranges(per_ml, DIFFERENTIAL_PER_100_ML, DIFFERENTIAL_RANGES, DIFFERENTIAL_NAMES)


def of_ranges(
    per_ml: Sequence[Fraction | None],
    limits_per_100_ml: Sequence[Sequence[int]],
    range_names: Sequence[str],
    class_names: Sequence[str],
) -> Classes:
    """The highest class over the size ranges between 6 um(c) and up, by any table of that shape."""
    edges = [*_checked(per_ml, len(SIZES_UM))[1:], Fraction(0)]
    rows: dict[str, int] = {}
    for i, name in enumerate(range_names):
        lower, upper = edges[i], edges[i + 1]
        if lower is None or upper is None:
            continue
        if lower < upper:
            raise ValueError("cumulative concentrations cannot rise with size")
        rows[name] = row_of(lower - upper, i, limits_per_100_ml)
    if not rows:
        raise ValueError("no size range was counted on both sides: >6 and >14 um(c) at least are needed")
    missing = tuple(name for name in range_names if name not in rows)
    by_size = {name: class_names[row] for name, row in rows.items()}
    return Classes(class_names[max(rows.values())], by_size, missing, bool(missing))


def _checked(per_ml: Sequence[Fraction | None], most: int) -> list[Fraction | None]:
    values = list(per_ml)
    if len(values) > most:
        raise ValueError(f"at most {most} sizes, {len(values)} were given")
    if all(value is None for value in values):
        raise ValueError("no size was counted")
    if any(value is not None and value < 0 for value in values):
        raise ValueError("a concentration in particles per mL cannot be negative")
    return values + [None] * (most - len(values))


RANGES = ("5-15", "15-25", "25-50", "50-100", ">100")
# AS4059 took over classes and limits unchanged.
NAMES = DIFFERENTIAL_NAMES
PER_100_ML = DIFFERENTIAL_PER_100_ML


def classes(per_ml: ArrayLike) -> NDArray[np.int64]:
    """Index into NAMES, the highest of the ranges, for cumulative concentrations per mL.

    The last axis goes over >6, >14, >21 um(c) and so on; rules and errors as in
    `as4059.differential_classes`.
    """
    return np.asarray(np.max(class_numbers(ranges(per_ml), PER_100_ML), axis=-1))


def classify(per_ml: Sequence[Fraction | None]) -> Classes:
    """The class of one sample from cumulative concentrations at >4, >6, >14, >21, >38, >70 um(c).

    Rules and errors as in `as4059.differential`.
    """
    return of_ranges(per_ml, PER_100_ML, RANGES, NAMES)
