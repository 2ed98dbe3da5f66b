"""Which samples may be believed, and why not: the catalogue of checks and the verdicts they lead to.

`judge` runs all checks over decoded samples; `CATALOGUE` is their table; `CheckLimits` their thresholds.
"""

from skidwright.checks.catalogue import (
    ABSENT,
    CATALOGUE,
    REJECTED,
    SUSPECT,
    UNCHECKED,
    VALID,
    WORDS,
    Verdicts,
    join,
)
from skidwright.checks.check import QUANTITIES, Check
from skidwright.checks.in_force import SettingsHistory, ThresholdsInForce, limits_of
from skidwright.checks.limits import CheckLimits
from skidwright.checks.run_all import Judge, judge

__all__ = [
    "ABSENT",
    "CATALOGUE",
    "QUANTITIES",
    "REJECTED",
    "SUSPECT",
    "UNCHECKED",
    "VALID",
    "WORDS",
    "Check",
    "CheckLimits",
    "Judge",
    "SettingsHistory",
    "ThresholdsInForce",
    "Verdicts",
    "join",
    "judge",
    "limits_of",
]
