"""Times, durations, sizes and shares in words, the same everywhere."""

from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike
from skidboard.records import CHANNELS_UM


def date(days: float) -> str:
    """A day in UTC from days since 1970: 2026-03-31; "never" for one that no calendar holds."""
    if not np.isfinite(days) or abs(days) > 1e6:
        return "never"
    return str(np.datetime64(int(np.floor(days)), "D"))


def moment(when: np.datetime64) -> str:
    """ISO 8601 in UTC, to the second."""
    return "time unknown" if np.isnat(when) else f"{when.astype('datetime64[s]')}Z"


def size(channel: int) -> str:
    """A channel in words: ">=4 um(c)"."""
    return f">={CHANNELS_UM[channel]} um(c)"


def sizes(channels: Iterable[int]) -> str:
    """Channels in words: ">=4, >=6, >=14 um(c)"."""
    return ", ".join(f">={CHANNELS_UM[k]}" for k in channels) + " um(c)"


def steps(values: ArrayLike) -> str:
    """Differences with their signs: "+1.2, +0.9"."""
    return ", ".join(f"{value:+.1f}" for value in np.asarray(values, np.float64).tolist())


def percent(chance: float) -> str:
    """A chance in percent, never rounded up to certainty: "97 %", "over 99 %", "under 1 %"."""
    if np.isnan(chance):
        return "unknown"
    if chance > 0.995:
        return "over 99 %"
    return "under 1 %" if chance < 0.005 else f"{100 * chance:.0f} %"


def span(days: float) -> str:
    """A length of time in words: "45 minutes", "36 hours", "12 days", "8 weeks", "14 months"."""
    if days < 0.125:
        return f"{days * 1440:.0f} minutes"
    if days < 3:
        return f"{days * 24:.0f} hours"
    if days < 60:
        return f"{days:.0f} days"
    return f"{days / 7:.0f} weeks" if days < 365 else f"{days / 30.44:.0f} months"
