"""Which samples may be believed, and why not: the catalogue of checks and the verdicts they lead to.

`judge` runs all checks over decoded samples; `CATALOGUE` is their table; `CheckLimits` their thresholds.
"""

from skidwright.checks.catalogue import CATALOGUE
from skidwright.checks.check import QUANTITIES, Check
from skidwright.checks.judging import Judge, judge
from skidwright.checks.limits import CheckLimits
from skidwright.checks.settings_in_force import SettingsHistory
from skidwright.checks.thresholds_in_force import ThresholdsInForce, limits_of
from skidwright.checks.verdicts import ABSENT, REJECTED, SUSPECT, UNCHECKED, VALID, WORDS, Verdicts, join

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
