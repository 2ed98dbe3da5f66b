"""One row of the catalogue of checks."""

from collections.abc import Callable
from typing import NamedTuple

from skidwright.arrays import Mask
from skidwright.checks.readings import Readings

QUANTITIES = ("counts", "water", "temperature", "metal")
COUNTS, WATER, TEMPERATURE, METAL = (1 << i for i in range(4))
ALL = COUNTS | WATER | TEMPERATURE | METAL

# Severities. A note is shown with the sample and leaves its verdict as it is.
NOTE, SUSPECT, REJECTED = 0, 1, 2
SEVERITY_WORDS = ("note", "suspect", "rejected")

# Where a threshold or rule comes from.
STANDARD = "standard"
PUBLISHED = "published"
PRACTICE = "common practice, no source"
JUDGEMENT = "this project's judgement"


class Check(NamedTuple):
    """One rule. `test` gives True where it speaks against the sample; `limits` names its thresholds."""

    id: str
    quantities: int
    severity: int
    test: Callable[[Readings], Mask]
    looks_at: str
    limits: tuple[str, ...]
    basis: str
    source: str
    remedy: str
