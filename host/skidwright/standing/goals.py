"""What is asked of a machine or a fluid: made once, out of the register, skid.toml and a command's terms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.config import Config
from skidwright.register.model import AssetRecord
from skidwright.samples.coldest import FULL_PERCENT
from skidwright.samples.history import JUDGED
from skidwright.trade.iso4406 import HIGHEST, UPPER_PER_ML
from skidwright.trade.water import Solubility

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
