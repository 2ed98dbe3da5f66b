"""ISO 4406 codes as people write them, without numpy: for settings and tables."""

from collections.abc import Iterable

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
