"""numpy dtypes of headers and records, built from the field tables in `skidboard.records`."""

from collections.abc import Iterable

import numpy as np
from skidboard import records

_SCALARS = {"B": "u1", "H": "<u2", "h": "<i2", "I": "<u4", "i": "<i4", "Q": "<u8", "q": "<i8"}
# Text ends at its first zero; all other byte strings keep their zeros.
_TEXT_FIELDS = ("text",)


def dtype_of(fields: Iterable[tuple[str, str]]) -> np.dtype[np.void]:
    """The packed little-endian dtype of a field table; KeyError for a format letter it does not know."""
    parts: list[tuple[str, str] | tuple[str, str, tuple[int]]] = []
    for name, form in fields:
        count, letter = int(form[:-1] or 1), form[-1]
        if letter == "s":
            parts.append((name, f"{'S' if name in _TEXT_FIELDS else 'V'}{count}"))
        elif count == 1:
            parts.append((name, _SCALARS[letter]))
        else:
            parts.append((name, _SCALARS[letter], (count,)))
    return np.dtype(parts)


HEADER = dtype_of(records.HEADER_FIELDS)
SAMPLE = dtype_of(records.SAMPLE_FIELDS)
EVENT = dtype_of(records.EVENT_FIELDS)
