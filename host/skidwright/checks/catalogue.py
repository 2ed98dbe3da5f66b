"""The catalogue of checks: every rule that can speak against a sample, in one table.

Each topic's rows stand beside its tests; `docs/checks.md` is made from the whole by
`skidwright.checks.document`.
"""

from skidwright.checks import bursts, calibrations, counting, fault_bits, flow, loops, record
from skidwright.checks.check import Check

CATALOGUE: tuple[Check, ...] = (
    *record.CHECKS,
    *calibrations.CHECKS,
    *fault_bits.CHECKS,
    *flow.CHECKS,
    *counting.CHECKS,
    *bursts.CHECKS,
    *loops.CHECKS,
)
BY_ID = {check.id: check for check in CATALOGUE}
