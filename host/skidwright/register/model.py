"""What the register holds, as plain typed values. Times are UTC in ms since 1970, dates are dates."""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from skidwright.config import Asset

if TYPE_CHECKING:
    import numpy as np

    from skidwright.formulas.water import Solubility

FILE_NAME = "register.sqlite"
EVENT_KINDS = {
    "filter": "filter changed",
    "top-up": "topped up",
    "fluid": "fluid changed",
    "repair": "repaired",
    "flush": "flushed",
    "other": "other",
}


@dataclass(frozen=True)
class Component:
    """A part of the machine that the fluid must suit. `note` says what makes it sensitive, or less so."""

    type: str
    pressure_bar: float | None = None
    note: str = ""


@dataclass(frozen=True)
class AssetRecord:
    """What the register says of one machine; None and "" where it says nothing.

    `target` is the worst acceptable ISO 4406 code (scale numbers for >=4, >=6, >=14 um(c)), `target_21um`
    the same for >=21 um(c). `filter_ratio` is the filtration ratio at `filter_size_um` um(c).
    `water_a`, `water_b`: the fluid's own constants of log10 S = A - B/T. `interval_h`: hours between samples.
    """

    number: int
    name: str = ""
    machine: str = ""
    fluid: str = ""
    v40_mm2_s: float | None = None
    v100_mm2_s: float | None = None
    water_a: float | None = None
    water_b: float | None = None
    volume_l: float | None = None
    filter_name: str = ""
    filter_ratio: float | None = None
    filter_size_um: float | None = None
    filter_fitted: datetime.date | None = None
    target: tuple[int, int, int] | None = None
    target_21um: int | None = None
    water_limit_percent: float | None = None
    coldest_c: float | None = None
    sampling_point: str = ""
    interval_h: float | None = None
    notes: str = ""
    components: tuple[Component, ...] = ()

    @property
    def title(self) -> str:
        """Its name, or "Asset 3" when it has none."""
        return self.name or f"Asset {self.number}"

    @property
    def targets(self) -> tuple[int | None, int | None, int | None, int | None]:
        """The worst acceptable scale number of each channel: >=4, >=6, >=14, >=21 um(c)."""
        return (*(self.target or (None, None, None)), self.target_21um)

    def as_asset(self) -> Asset:
        """That part of it which a `skid.toml` could say as well."""
        return Asset(
            self.number, self.name, self.machine, self.fluid, self.target, self.water_limit_percent,
            self.coldest_c, self.water_a, self.water_b,
        )  # fmt: skip

    @property
    def solubility(self) -> Solubility | None:
        """The fluid's own constants of water solubility; None when they are not known."""
        return self.as_asset().solubility


@dataclass(frozen=True)
class Event:
    """Something done to a machine. `kind` is a key of EVENT_KINDS; `cost` in the shop's own currency."""

    asset: int
    utc_ms: int
    kind: str
    text: str = ""
    volume_l: float | None = None
    downtime_h: float | None = None
    cost: float | None = None
    id: int = 0

    @property
    def when(self) -> np.datetime64:
        """Its time in UTC, datetime64[ms]."""
        # Read when it is needed: commands that only enter something should not wait for it.
        import numpy as np

        return np.datetime64(self.utc_ms, "ms")

    @property
    def words(self) -> str:
        """What was done, with its text: "filter changed: return line"."""
        what = EVENT_KINDS.get(self.kind, self.kind)
        if self.volume_l is not None:
            what = f"{what}, {self.volume_l:g} L"
        return f"{what}: {self.text}" if self.text else what


@dataclass(frozen=True)
class Paper:
    """A paper that was issued: `kind` such as "certificate", `digest` of what it rests on, its `content`."""

    kind: str
    utc_ms: int
    asset: int | None
    digest: str
    path: str
    content: dict[str, Any] = field(default_factory=dict)
    id: int = 0


@dataclass(frozen=True)
class Receipt:
    """A fluid that was accepted or refused; `content` is the whole answer with figures and reasons."""

    utc_ms: int
    asset: int | None
    fluid: str
    target: tuple[int, int, int]
    accepted: bool
    content: dict[str, Any] = field(default_factory=dict)
    id: int = 0


@dataclass(frozen=True)
class CostRange:
    """A cost or a rate as it is known: lowest, likeliest, highest. `item` is a key of `money.ITEMS`."""

    item: str
    low: float
    likely: float
    high: float
    asset: int | None = None
