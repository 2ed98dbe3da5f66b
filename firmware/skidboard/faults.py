"""Fault numbers: bit positions in a record's `faults`, and the `code` of fault and trip records.

Causes and remedies are prose for people and live on the host (`skidwright.meanings.faults`).
"""

NO_FLOW = 0
UNWANTED_FLOW = 1
OVER_PRESSURE = 2
FLUID_HOT = 3
STOP_INPUT = 4
BAND_NOT_REACHED = 5
DUTY_AT_LIMIT = 6
WATER_LOOP = 7
TEMP_SENSOR = 8
RUN_TOO_LONG = 9
STORAGE = 10
LOG_OVERWROTE = 11
SETTINGS_BAD = 12
WATCHDOG = 13
LOOP_UNSTEADY = 14
METER = 15
COUNTER = 16

NAMES = (
    "no flow",
    "unwanted flow",
    "over-pressure",
    "fluid hot",
    "stop input",
    "band not reached",
    "duty at limit",
    "water loop",
    "temperature sensor",
    "run too long",
    "storage",
    "unpulled log overwritten",
    "settings bad",
    "watchdog",
    "loop unsteady",
    "flow meter",
    "particle counter",
)

# Faults that stop the pump and trip the skid; the others are reported and sampling goes on.
TRIPPING = (
    1 << NO_FLOW
    | 1 << UNWANTED_FLOW
    | 1 << OVER_PRESSURE
    | 1 << FLUID_HOT
    | 1 << STOP_INPUT
    | 1 << RUN_TOO_LONG
    | 1 << METER
)
# Trips that only an operator's reset ends; the other trips end by themselves once the cause is gone.
HELD = 1 << UNWANTED_FLOW | 1 << OVER_PRESSURE | 1 << STOP_INPUT | 1 << RUN_TOO_LONG | 1 << METER


def names(bits):
    """The names of the faults set in `bits`, lowest number first."""
    return [name for i, name in enumerate(NAMES) if bits >> i & 1]
