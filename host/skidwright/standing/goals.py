"""What is asked of an asset, and one quantity as it stands against that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright.config import Config
from skidwright.formulas.iso4406 import HIGHEST, UPPER_PER_ML
from skidwright.formulas.water import Solubility
from skidwright.register.model import AssetRecord
from skidwright.samples.cold_water import FULL_PERCENT
from skidwright.samples.history import JUDGED

SURE = 0.95
# With an interval of its own an asset's samples are old after so many intervals, and not before so many days.
OLD_TIMES, OLD_LEAST_DAYS = 2.0, 2.0
Numbers = tuple[int | None, int | None, int | None, int | None]


@dataclass(frozen=True)
class Goals:
    """What is asked. `numbers` are the worst accepted scale numbers of >=4, >=6, >=14, >=21 um(c), None for
    none; `water_limit_percent` is the highest saturation, at `coldest_c` where that is known, by the fluid's
    own constants `solubility` if it has any.

    `confidence` is one-sided. `samples` valid ones decide; a machine is judged by their middle, with
    `each` (a fluid that is received) none may be outvoted. Samples older than `oldest_days` are old.
    `notice_days` is how long before it runs out a calibration is spoken of.
    """

    numbers: Numbers = (None, None, None, None)
    water_limit_percent: float | None = None
    coldest_c: float | None = None
    solubility: Solubility | None = None
    confidence: float = SURE
    samples: int = JUDGED
    each: bool = False
    oldest_days: float = 30.0
    notice_days: float = 30.0

    def __post_init__(self) -> None:
        if self.samples < 1 or not 0.5 <= self.confidence < 1:
            raise ValueError("at least one sample and a confidence from 50 to 100 % are needed")

    @property
    def limits_per_ml(self) -> NDArray[np.float64]:
        """The most particles per mL of each size, (4,); NaN where none is asked."""
        return np.array([np.nan if n is None else float(UPPER_PER_ML[min(n, HIGHEST)]) for n in self.numbers])

    @property
    def trend_water_percent(self) -> float:
        """What water at the coldest temperature is asked not to pass; free water where no limit is set."""
        if self.water_limit_percent is None:
            return FULL_PERCENT if self.coldest_c is not None else np.nan
        return float(self.water_limit_percent)

    @property
    def has_target(self) -> bool:
        """True when a scale number is asked for."""
        return any(number is not None for number in self.numbers)


def goals_of(asset: AssetRecord, config: Config) -> Goals:
    """What is asked of an asset by what is known of it and by skid.toml."""
    oldest = config.judgement.sample_age_days
    if asset.interval_h is not None:
        oldest = max(OLD_TIMES * asset.interval_h / 24, OLD_LEAST_DAYS)
    return Goals(
        numbers=asset.targets,
        water_limit_percent=asset.water_limit_percent,
        coldest_c=asset.coldest_c,
        solubility=asset.solubility,
        oldest_days=oldest,
        notice_days=config.judgement.calibration_notice_days,
    )


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
