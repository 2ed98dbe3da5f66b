"""A quantity against its goal, and a reason for attention: plain values that every view words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

# What a quantity's state may be. The last two are honest absences: nothing is known to compare.
MET, NOT_MET, OPEN, NO_GOAL = "met", "not met", "open", "no goal"
NO_VALID, NOT_MEASURED = "no valid sample", "not measured"
STATES = (MET, NOT_MET, OPEN, NO_GOAL, NO_VALID, NOT_MEASURED)
# How soon a person is needed.
ACT, LOOK, WATCH, FINE = 3, 2, 1, 0
WORDS = {ACT: "act", LOOK: "look soon", WATCH: "watch", FINE: "in order"}

CHANNELS = (">=4 um(c)", ">=6 um(c)", ">=14 um(c)", ">=21 um(c)")
AS_READ, AT_COLDEST, FREE_WATER = "water as read", "water at the coldest", "free water at the coldest"
WATERS = (AS_READ, AT_COLDEST, FREE_WATER)
NAMES = (*CHANNELS, *WATERS)


@dataclass(frozen=True)
class Quantity:
    """One quantity. `value` and `limit` are in `unit`; NaN for unknown or not asked.

    `value` to `value_high` is a range where constants of the fluid leave one, else both are the same. `least`
    and `most` are the chances that the true level is at or below the limit: they differ where counts or
    constants do not fix one, and only the least makes it met, only the most not met. `rows` of the history
    decide, the newest of them taken at `newest` (UTC), `age_days` ago. `number` and `asked` are scale numbers
    (None for water); `at_c` is the temperature at which water is judged. `cause` says what keeps it from
    being decided, "" for nothing but chance.
    """

    name: str
    unit: str
    state: str
    value: float = np.nan
    value_high: float = np.nan
    limit: float = np.nan
    least: float = np.nan
    most: float = np.nan
    rows: tuple[int, ...] = ()
    newest: np.datetime64 = field(default_factory=lambda: np.datetime64("NaT", "ms"))
    age_days: float = np.nan
    number: int | None = None
    asked: int | None = None
    at_c: float = np.nan
    cause: str = ""

    @property
    def above(self) -> int | None:
        """By how many scale numbers it lies above its target (negative: below); None where none is asked."""
        return None if self.number is None or self.asked is None else self.number - self.asked


@dataclass(frozen=True)
class Reason:
    """Why a person is needed: how soon (ACT, LOOK, WATCH), a kind, what it is about, and its figures.

    `about` are names of quantities, none where it is about the skid or its log. `words.reason` words it.
    """

    level: int
    kind: str
    about: tuple[str, ...] = ()
    facts: Mapping[str, Any] = field(default_factory=dict)


def decided(least: float, most: float, confidence: float) -> str:
    """MET, NOT_MET or OPEN: the one rule by which a chance becomes a state."""
    if least >= confidence:
        return MET
    return NOT_MET if most <= 1 - confidence else OPEN
