"""What a skid.toml says, as plain values."""

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from skidboard import settings as board_settings

if TYPE_CHECKING:
    from skidwright.checks.limits import CheckLimits
    from skidwright.formulas.water import Solubility


@dataclass(frozen=True)
class Asset:
    """A machine that is sampled. `target` is the worst acceptable ISO 4406 code, None when none was set."""

    number: int
    name: str = ""
    machine: str = ""
    fluid: str = ""
    target: tuple[int, int, int] | None = None
    water_limit_percent: float | None = None
    coldest_c: float | None = None
    water_a: float | None = None
    water_b: float | None = None

    @property
    def solubility(self) -> "Solubility | None":
        """This fluid's own constants of water solubility; None without `water_a` and `water_b`."""
        if self.water_a is None or self.water_b is None:
            return None
        from skidwright.formulas.water import own_solubility

        return own_solubility(self.water_a, self.water_b)

    @property
    def title(self) -> str:
        """Its name, or "Asset 3" when it has none."""
        return self.name or f"Asset {self.number}"


@dataclass(frozen=True)
class Counter:
    """The particle counter. Volumes in mL, flows in mL/min, dates as dates; None where nobody said."""

    name: str = ""
    band_ml_min: tuple[float, float] | None = None
    sensing_volume_ml: float | None = None
    calibration: str = ""
    calibrated: datetime.date | None = None
    calibration_due: datetime.date | None = None


@dataclass(frozen=True)
class Judging:
    """How old what is judged may be. An asset with an interval of its own (`interval_h` of the register) has
    its own age: `skidwright.standing.goals`."""

    sample_age_days: float = 30.0
    calibration_notice_days: float = 30.0


@dataclass(frozen=True)
class Config:
    """All of skid.toml. `board` holds only settings that were given or follow from other tables.

    `note` stands at the top of every report and certificate, and on every slip.
    """

    path: Path | None = None
    board: dict[str, Any] = field(default_factory=dict)
    assets: dict[int, Asset] = field(default_factory=dict)
    counter: Counter = field(default_factory=Counter)
    checks: dict[str, float] = field(default_factory=dict)
    judgement: Judging = field(default_factory=Judging)
    note: str = ""

    def asset(self, number: int) -> Asset:
        """The asset of that number; one with nothing but its number when skid.toml does not know it."""
        return self.assets.get(number) or Asset(number)

    def limits(self) -> "CheckLimits":
        """The thresholds of the checks: those given, what `[counter]` says, and defaults for the rest."""
        return limits_class()(**self.checks)

    def own_constants(self) -> dict[int, tuple[float, float]]:
        """Constants A and B of water of the assets whose fluid has its own."""
        own = {number: asset.solubility for number, asset in self.assets.items()}
        return {number: (fluid.a, fluid.b) for number, fluid in own.items() if fluid}

    def read_by(self, checks: Mapping[str, float], water: Mapping[int, tuple[float, float]]) -> "Config":
        """The same with other thresholds of the checks, and other constants of water: see `own_constants`."""
        known = limits_class().__dataclass_fields__
        assets = {}
        for number in (*self.assets, *(n for n in water if n not in self.assets)):
            a, b = water.get(number, (None, None))
            assets[number] = replace(self.asset(number), water_a=a, water_b=b)
        return replace(
            self, checks={name: value for name, value in checks.items() if name in known}, assets=assets
        )

    def board_in_force(self) -> dict[str, Any]:
        """All settings of the board: those given, and defaults for the rest."""
        return {**board_settings.defaults(), **self.board}


def limits_class() -> "type[CheckLimits]":
    """CheckLimits, imported when it is needed."""
    # Only what checks needs numpy; a command that talks to a board should not wait for it.
    from skidwright.checks.limits import CheckLimits

    return CheckLimits
