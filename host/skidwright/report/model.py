"""What a report page is made of: plain arrays and texts of one asset, already checked and dated."""

import datetime
from dataclasses import dataclass, field

import numpy as np

from skidwright.config import Counter
from skidwright.register.model import AssetRecord
from skidwright.samples.history import ABSENT, REJECTED, SUSPECT, VALID, History
from skidwright.standing.standing import Standing

# The verdicts stand in what the pages are made of, so that its readers need look nowhere else.
__all__ = [
    "ABSENT",
    "REJECTED",
    "SUSPECT",
    "VALID",
    "AssetReport",
    "ExcludedReason",
    "ExcludedSample",
    "Happening",
    "Integrity",
]


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

    asset: AssetRecord
    counter: Counter
    band_ml_min: tuple[float, float]
    samples: History
    standing: Standing
    integrity: Integrity
    happenings: list[Happening] = field(default_factory=list)
    happenings_total: int = 0
    reasons: list[ExcludedReason] = field(default_factory=list)
    excluded: list[ExcludedSample] = field(default_factory=list)
    excluded_total: int = 0  # samples
    calibration_due: datetime.date | None = None  # of the counter
    meter_due: datetime.date | None = None  # None: never calibrated, as far as the board was told
    loops_due: datetime.date | None = None
    judged_with: str = ""  # SHA-256 of asset, counter and thresholds
    note: str = ""  # for the top of the page
