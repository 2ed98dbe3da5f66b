"""What a record can say at all: the one gate between a log's good CRCs and everything that works with them.

A CRC that holds says that the bytes are those that were written, not that they make sense: a board gone mad,
or a forger, writes a contact in the year 287396. A field outside what any board can measure or may be set to
makes its record not believable. A sample stays, is marked, and such a field is brought to the nearest value
that can be, so that nothing behind this gate meets it; the sample is rejected for every quantity. An event
stays under kind 0, which means nothing, with its number and time. The archive keeps the bytes as they are.
"""

import numpy as np
from numpy.typing import NDArray
from skidboard import records
from skidboard.cleanliness import ABOVE_TABLE
from skidboard.current_loop import LOOP_FAILED

NOT_BELIEVED = 0  # a kind of record that no firmware writes
MOST_UPTIME_MS = 100 * 365 * 86_400_000  # of one boot: a hundred years
FIRST_UTC_MS = 946_684_800_000  # 2000-01-01, before any board
LAST_UTC_MS = 7_258_118_400_000  # 2200-01-01
# A loop set to -100 degC at 4 mA reads -110 degC at 3.6 mA, below which it counts as failed.
LOWEST_CDEG = -12_000
_MOST_COUNTED = 1 << 30  # the board's counters wrap there
_MOST_SHIFT = 15  # brings that into 16 bits
_PERMILLE = 1000
_MOST_CPCT = 10_000
_HIGHEST_CODE = ABOVE_TABLE - 1

# Field of a sample, lowest, highest; None where the type itself is the limit.
_SAMPLE_LIMITS: tuple[tuple[str, int | None, int | None], ...] = (
    ("uptime_ms", None, MOST_UPTIME_MS),
    ("temp_min_cdeg", LOWEST_CDEG, None),
    ("temp_mean_cdeg", LOWEST_CDEG, None),
    ("temp_max_cdeg", LOWEST_CDEG, None),
    ("water_state", None, LOOP_FAILED),
    ("temp_state", None, LOOP_FAILED),
    ("window_shift", None, _MOST_SHIFT),
    ("duty_mean_permille", None, _PERMILLE),
    ("duty_max_permille", None, _PERMILLE),
    ("counts", None, _MOST_COUNTED),
    ("metal", None, _MOST_COUNTED),
)


def tame_samples(rows: NDArray[np.void]) -> NDArray[np.bool_] | None:
    """Bring impossible fields of samples (a copy of the log's) to what can be, in place.

    Where anything was impossible, (n,); None, the usual case, when nothing was.
    """
    wrong: NDArray[np.bool_] | None = None
    for name, low, high in _SAMPLE_LIMITS:
        column = rows[name]
        off = column < low if low is not None else column > high
        if not off.any():
            continue
        column[off] = low if low is not None else high
        hit = np.asarray(off if off.ndim == 1 else off.any(axis=1), np.bool_)
        wrong = hit if wrong is None else wrong | hit
    return wrong


def tame_events(rows: NDArray[np.void]) -> NDArray[np.bool_] | None:
    """Take their meaning from events that say what cannot be, in place; which, None for none.

    Their kind becomes NOT_BELIEVED, a time that cannot be becomes unknown.
    """
    utc_ms, uptime_ms = rows["utc_ms"], rows["uptime_ms"]
    wrong: NDArray[np.bool_] = uptime_ms > MOST_UPTIME_MS
    wrong |= (utc_ms > 0) & ((utc_ms < FIRST_UTC_MS) | (utc_ms > LAST_UTC_MS))
    begun = (rows["kind"] == records.CLEANUP) & (rows["code"] == 0)
    if begun.any():
        aim = rows["a"]
        above = [(aim >> shift & 0xFF) > _HIGHEST_CODE for shift in (0, 8, 16)]
        wrong |= begun & (above[0] | above[1] | above[2] | (rows["b"] > _MOST_CPCT))
        # a run that aims at nothing cannot be begun
        wrong |= begun & (aim & 0xFF_FFFF == 0) & (rows["b"] == 0)
    if not wrong.any():
        return None
    rows["kind"][wrong] = NOT_BELIEVED
    uptime_ms[uptime_ms > MOST_UPTIME_MS] = MOST_UPTIME_MS
    utc_ms[wrong] = 0
    return wrong
