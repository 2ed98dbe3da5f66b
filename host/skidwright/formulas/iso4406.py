"""ISO 4406:2021 cleanliness codes, by the standard's table and exact at its limits.

Source: ISO 4406:2021, table 1 (scale numbers, "more than" and "up to and
including", particles per millilitre) and its rules for the code: three numbers
for >=4, >=6 and >=14 um(c); `*` for too many particles to count, `-` for a
size that was not wanted, `>=` before a number when fewer than 20 particles
were counted. The table's steps are rounded, so no power of two gives it.

A count per volume is compared with a limit as a fraction, never as a quotient
of floats, so 64 particles in 100 mL are scale number 6 and 65 are 7. A float
is taken as the decimal it prints as.
"""

from collections.abc import Iterable, Sequence
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

MAX_SCALE_NUMBER = 28


def parse_code(text: str) -> tuple[int, int, int]:
    """An ISO 4406 code "18/16/13" (4, 6, 14 um(c)) as three numbers.

    Raises ValueError when it is not three whole numbers from 0 to 28, none larger than the one before it
    (the channels are cumulative).
    """
    parts = text.split("/")
    if len(parts) != 3 or not all(part.strip().isdecimal() for part in parts):
        raise ValueError("a code is three whole numbers with strokes between them, such as 18/16/13")
    first, second, third = (int(part) for part in parts)
    if not MAX_SCALE_NUMBER >= first >= second >= third >= 0:
        raise ValueError(f"numbers run from 0 to {MAX_SCALE_NUMBER} and none may exceed the one before it")
    return first, second, third


def format_code(code: Iterable[int]) -> str:
    """Scale numbers as "18/16/13"; numbers above the table print as ">28"."""
    return "/".join(str(n) if n <= MAX_SCALE_NUMBER else f">{MAX_SCALE_NUMBER}" for n in code)


# Upper limits, particles per mL, scale number 0 first. As text: each is that decimal exactly.
_LIMITS_TEXT = (
    "0.01", "0.02", "0.04", "0.08", "0.16", "0.32", "0.64", "1.3", "2.5", "5", "10", "20", "40", "80", "160",
    "320", "640", "1300", "2500", "5000", "10000", "20000", "40000", "80000", "160000", "320000", "640000",
    "1300000", "2500000",
)  # fmt: skip
UPPER_PER_ML = np.array([float(text) for text in _LIMITS_TEXT])
_EXACT = tuple(Fraction(text) for text in _LIMITS_TEXT)
HIGHEST = len(_LIMITS_TEXT) - 1
ABOVE_TABLE = HIGHEST + 1
NOT_COUNTED = 255
FEW_PARTICLES = 20

TOO_MANY = "*"
NOT_WANTED = "-"
Channel = float | int | str


class Code(NamedTuple):
    """An ISO 4406 code: text, scale numbers, and the 21 um(c) figure that is no part of it.

    `numbers` holds None where the text has `*` or `-`, and 29 for `>28`;
    `at_least` is True where fewer than 20 particles were counted.
    """

    text: str
    numbers: tuple[int | None, ...]
    at_least: tuple[bool, ...]
    extra_21um: str | None

    def __str__(self) -> str:
        return self.text if self.extra_21um is None else f"{self.text} (extra, 21 um(c): {self.extra_21um})"


def scale_numbers(per_ml: ArrayLike) -> NDArray[np.int64]:
    """Scale numbers of concentrations in particles per mL, any shape: 0 to 28, 29 above the table.

    NaN gives NOT_COUNTED (255). Raises ValueError for a negative concentration.
    """
    values = np.asarray(per_ml, dtype=np.float64)
    if np.any(values < 0):
        raise ValueError("a concentration in particles per mL cannot be negative")
    numbers = np.searchsorted(UPPER_PER_ML, values, side="left").astype(np.int64)
    return np.where(np.isnan(values), NOT_COUNTED, numbers)


def scale_numbers_of_counts(counts: ArrayLike, volume_ul: ArrayLike) -> NDArray[np.int64]:
    """Scale numbers of whole counts in whole microlitres, decided in 64-bit integers.

    Arguments broadcast; `counts` and `volume_ul` below 2**32. Raises ValueError when a
    count is negative, a volume not above 0, or either too large.
    """
    count = np.asarray(counts).astype(np.int64)
    volume = np.asarray(volume_ul).astype(np.int64)
    if np.any(count < 0) or np.any(volume <= 0):
        raise ValueError("counts must be 0 or more and volumes above 0")
    if np.any(count >= 1 << 32) or np.any(volume >= 1 << 32):
        raise ValueError("counts and volumes in microlitres must be below 2**32")
    count, volume = np.broadcast_arrays(count, volume)
    # the quotient of floats finds the row or one beside it, integers decide
    near = np.searchsorted(UPPER_PER_ML, count * 1000 / volume, side="left")
    # count / (volume / 1000) * 100 against the limit in hundredths, multiplied out
    scaled = count * 100_000
    rows = np.append([int(limit * 100) for limit in _EXACT], 0)
    above = (near <= HIGHEST) & (scaled > volume * rows[near])
    below = (near > 0) & (scaled <= volume * rows[near - 1])
    return np.asarray(near.astype(np.int64) + above - below)


def exact_fraction(value: float | int | str | Fraction, what: str) -> Fraction:
    """`value` as a fraction, a float as the decimal it prints as; ValueError names `what` if none."""
    if isinstance(value, Fraction):
        return value
    try:
        number = Decimal(str(value))
    except InvalidOperation:
        raise ValueError(f"{what}: {value!r} is not a number") from None
    # a fraction of 1e999999999 would have a billion digits
    if not number.is_finite() or abs(number.adjusted()) > 300:
        raise ValueError(f"{what}: {value!r} is not a number that can be used")
    return Fraction(number)


def scale_number(concentration: Fraction) -> int:
    """Scale number of one exact concentration per mL (0 or more): 0 to 28, 29 above the table."""
    return sum(concentration > limit for limit in _EXACT)


def number_text(number: int, at_least: bool = False) -> str:
    """One scale number as it stands in a code: `17`, `>=7`, `>28`, or `-` for NOT_COUNTED."""
    if number == NOT_COUNTED:
        return NOT_WANTED
    if number >= ABOVE_TABLE:
        return f">{HIGHEST}"
    return f">={number}" if at_least else str(number)


def code_texts(numbers: ArrayLike, at_least: ArrayLike = False) -> list[str]:
    """Code texts of an (n, 3) array of scale numbers; `at_least` broadcasts. ValueError for another shape."""
    table = np.asarray(numbers, dtype=np.int64)
    if table.ndim != 2 or table.shape[1] != 3:
        raise ValueError("an (n, 3) array of scale numbers is needed: >=4, >=6 and >=14 um(c)")
    few = np.broadcast_to(np.asarray(at_least, dtype=bool), table.shape)
    if np.any((table < 0) | (table > NOT_COUNTED)):
        raise ValueError("scale numbers from 0 to 29, or 255 for not counted, are needed")
    # few codes are different: each is written once
    key = table * 2 + few
    packed, places = np.unique((key[:, 0] << 18) | (key[:, 1] << 9) | key[:, 2], return_inverse=True)
    texts = [
        "/".join(number_text(part >> 1, bool(part & 1)) for part in (code >> 18, code >> 9 & 511, code & 511))
        for code in packed.tolist()
    ]
    return np.array(texts, dtype=object)[places].tolist() if texts else []


def code_of(values: Sequence[Fraction | str], at_least: Sequence[bool] | None = None) -> Code:
    """The code of exact concentrations per mL at three sizes or four, where `*` and `-` stand for themselves.

    `at_least` says where fewer than 20 particles were counted. ValueError when there are not three or four.
    """
    if len(values) not in (3, 4):
        raise ValueError("three channels are needed (>=4, >=6, >=14 um(c)), a fourth (>=21 um(c)) may follow")
    few = at_least or [False] * len(values)
    numbers = [None if isinstance(value, str) else scale_number(value) for value in values]
    parts = [
        str(value) if number is None else number_text(number, low)
        for value, number, low in zip(values, numbers, few, strict=True)
    ]
    return Code(
        text="/".join(parts[:3]),
        numbers=tuple(numbers[:3]),
        at_least=tuple(low and number is not None for low, number in zip(few, numbers, strict=True))[:3],
        extra_21um=parts[3] if len(parts) == 4 else None,
    )


def code_of_per_ml(per_ml: Sequence[Channel]) -> Code:
    """The code of three (or four) cumulative concentrations in particles per mL.

    `*` and `-` stand for themselves. Raises ValueError when one is negative or no number, or when there
    are not three or four.
    """
    values: list[Fraction | str] = []
    for value in per_ml:
        if value in (TOO_MANY, NOT_WANTED):
            values.append(str(value))
            continue
        concentration = exact_fraction(value, "particles per mL")
        if concentration < 0:
            raise ValueError(f"particles per mL: {value} is negative")
        values.append(concentration)
    return code_of(values)


def concentrations(
    counts: Sequence[Channel], volume_ml: Channel | Fraction, dilution: Channel | Fraction = 1
) -> list[Fraction | None]:
    """Exact concentrations per mL of raw counts, None for `*` and `-`; errors as in `code_of_counts`."""
    volume = exact_fraction(volume_ml, "volume in mL")
    factor = exact_fraction(dilution, "dilution")
    if volume <= 0:
        raise ValueError(f"volume in mL: {volume_ml} is not above 0")
    if factor < 1:
        raise ValueError(f"dilution: {dilution} is below 1")
    found: list[Fraction | None] = []
    for value in counts:
        if value in (TOO_MANY, NOT_WANTED):
            found.append(None)
            continue
        count = exact_fraction(value, "count")
        if count < 0 or count.denominator != 1:
            raise ValueError(f"count: {value} is not a whole number from 0 up")
        found.append(count * factor / volume)
    return found


def code_of_counts(
    counts: Sequence[Channel], volume_ml: Channel | Fraction, dilution: Channel | Fraction = 1
) -> Code:
    """The code of raw cumulative counts in `volume_ml` of a fluid that was diluted `dilution` times.

    A dilution of 10 means one part of fluid in ten parts of mixture. Whether
    fewer than 20 particles were counted is asked of the raw counts. `*` and
    `-` stand for themselves. Raises ValueError when a count is negative or
    not whole, the volume not above 0, the dilution below 1, or when there are not
    three or four counts.
    """
    exact = concentrations(counts, volume_ml, dilution)
    values = [str(raw) if value is None else value for raw, value in zip(counts, exact, strict=True)]
    few = [
        value is not None and exact_fraction(raw, "count") < FEW_PARTICLES
        for raw, value in zip(counts, exact, strict=True)
    ]
    return code_of(values, few)
