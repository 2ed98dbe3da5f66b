"""Checks of the fault bits that stood while a sample was counted."""

import numpy as np
from skidboard import faults

from skidwright.arrays import Mask
from skidwright.checks.check import (
    ALL,
    COUNTS,
    JUDGEMENT,
    METAL,
    NOTE,
    REJECTED,
    STANDARD,
    SUSPECT,
    TEMPERATURE,
    WATER,
    Check,
)
from skidwright.checks.readings import Readings


def _faults(c: Readings, *numbers: int) -> Mask:
    bits = sum(1 << number for number in numbers)
    return np.asarray((c.whole("faults") & bits) != 0)


def fault_flow(c: Readings) -> Mask:
    """A fault of flow, pressure or interlock stood during the count."""
    return _faults(c, faults.NO_FLOW, faults.UNWANTED_FLOW, faults.OVER_PRESSURE, faults.STOP_INPUT,
                   faults.RUN_TOO_LONG, faults.BAND_NOT_REACHED, faults.FLUID_HOT, faults.METER)  # fmt: skip


def fault_water(c: Readings) -> Mask:
    """The board found the water loop at fault."""
    return _faults(c, faults.WATER_LOOP)


def fault_temperature(c: Readings) -> Mask:
    """The board found the temperature sensor at fault."""
    return _faults(c, faults.TEMP_SENSOR)


def fault_unsteady(c: Readings) -> Mask:
    """The water loop had not settled when the count began."""
    return _faults(c, faults.LOOP_UNSTEADY)


def fault_counter(c: Readings) -> Mask:
    """The counter gave the board no counts for a part of the sample."""
    return _faults(c, faults.COUNTER)


def fault_settings(c: Readings) -> Mask:
    """The board could not use its settings and ran on defaults."""
    return _faults(c, faults.SETTINGS_BAD)


def fault_storage(c: Readings) -> Mask:
    """Storage was at fault, or records were overwritten before they had been pulled."""
    return _faults(c, faults.STORAGE, faults.LOG_OVERWROTE)


CHECKS = (
    Check(
        "settings-default",
        ALL,
        SUSPECT,
        fault_settings,
        "fault bit 'settings bad' during the count",
        (),
        JUDGEMENT,
        "scales and limits may not be those meant",
        "Install the settings again: `skidwright install`.",
    ),
    Check(
        "storage-fault",
        ALL,
        NOTE,
        fault_storage,
        "fault bits 'storage' and 'unpulled log overwritten'",
        (),
        JUDGEMENT,
        "other samples were lost, not this one",
        "Pull the log; see docs/faults.md.",
    ),
    Check(
        "flow-fault",
        COUNTS | METAL,
        REJECTED,
        fault_flow,
        "fault bits of flow, pressure and interlocks during the count",
        (),
        JUDGEMENT,
        "the run was not normal",
        "See docs/faults.md for the fault named in the record.",
    ),
    Check(
        "counter-fault",
        COUNTS,
        REJECTED,
        fault_counter,
        "fault bit 'particle counter' during the count",
        (),
        JUDGEMENT,
        "what came while the counter was silent is in no count",
        "Look at the counter's line: docs/faults.md and docs/counter_drivers.md.",
    ),
    Check(
        "water-fault",
        WATER,
        REJECTED,
        fault_water,
        "fault bit 'water loop' during the count",
        (),
        STANDARD,
        "NAMUR NE 43, as the board saw it",
        "Check wire, supply and sensor of the water loop.",
    ),
    Check(
        "water-unsteady",
        WATER,
        SUSPECT,
        fault_unsteady,
        "fault bit 'loop unsteady': the loop had not settled when counting began",
        (),
        JUDGEMENT,
        "the reading still belongs in part to the fluid before",
        "Raise `settle_limit_s`, or purge longer.",
    ),
    Check(
        "temperature-fault",
        TEMPERATURE,
        REJECTED,
        fault_temperature,
        "fault bit 'temperature sensor' during the count",
        (),
        STANDARD,
        "as the board saw it",
        "Check the sensor's wires.",
    ),
)
