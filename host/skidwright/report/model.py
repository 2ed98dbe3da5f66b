"""What a report page is made of: plain arrays and texts of one asset, already checked and dated."""

import datetime
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from skidwright.checks.limits import CheckLimits
from skidwright.config import Asset, Counter

VALID, SUSPECT, REJECTED, ABSENT = 0, 1, 2, 3
VERDICT_WORDS = ("valid", "suspect", "rejected", "not measured")

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Samples:
    """All samples of one asset, oldest first; every array has one row a sample.

    `when` is datetime64[ms] in UTC, NaT where no time is known. `code` and `per_ml` have four columns:
    >=4, >=6, >=14, >=21 um(c). Quantities that were not measured are NaN. A verdict is VALID, SUSPECT,
    REJECTED or ABSENT.
    """

    seq: NDArray[np.uint32]
    when: NDArray[np.datetime64]
    code: Bytes
    per_ml: Floats
    counts: NDArray[np.uint32]
    volume_ml: Floats
    water_percent: Floats
    temperature_c: Floats
    flow_ml_min: Floats  # three columns: lowest, mean, highest
    counts_verdict: Bytes
    water_verdict: Bytes
    temperature_verdict: Bytes
    metal_verdict: Bytes
    metal: NDArray[np.uint32]  # two columns: ferrous, non-ferrous

    def __len__(self) -> int:
        return len(self.seq)


@dataclass(frozen=True)
class ExcludedReason:
    """Why samples were not believed: one check, with how many samples of this asset it spoke against."""

    check: str
    quantity: str
    verdict: str
    count: int
    first: str
    last: str
    meaning: str
    remedy: str


@dataclass(frozen=True)
class ExcludedSample:
    """One sample that was not believed. `when` is ISO 8601 UTC, or words when it is unknown."""

    seq: int
    when: str
    quantity: str
    verdict: str
    reasons: str


@dataclass(frozen=True)
class Happening:
    """One event worth showing. `mark` is the letter it has in the pictures, "" for none."""

    when: np.datetime64
    when_text: str
    mark: str
    what: str
    detail: str


@dataclass(frozen=True)
class Integrity:
    """What is known about the log that the samples came from."""

    device: str
    logs: str
    records: int
    bad_records: int
    gaps: int
    missing_records: int
    reclaimed_unpulled: int
    chain_ok: bool
    chain_statement: str
    clock_statement: str
    clock_worst_s: float
    digest: str
    findings: tuple[str, ...] = ()


@dataclass(frozen=True)
class AssetReport:
    """Everything one page shows."""

    asset: Asset
    counter: Counter
    band_ml_min: tuple[float, float]
    samples: Samples
    integrity: Integrity
    happenings: list[Happening] = field(default_factory=list)
    happenings_total: int = 0
    reasons: list[ExcludedReason] = field(default_factory=list)
    excluded: list[ExcludedSample] = field(default_factory=list)
    excluded_total: int = 0  # samples
    calibration_due: datetime.date | None = None
    note: str = ""  # for the top of the page
    limits: CheckLimits = field(default_factory=CheckLimits)
