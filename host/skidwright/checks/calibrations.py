"""Checks of the calibrations: of the counter, the flow meter, and the inputs of the current loops."""

import numpy as np
from numpy.typing import NDArray

from skidwright.arrays import Mask
from skidwright.checks.check import COUNTS, JUDGEMENT, NOTE, PRACTICE, SUSPECT, TEMPERATURE, WATER, Check
from skidwright.checks.readings import Readings

_DAY_MS = 86_400_000
_DAY_ZERO = 10_957  # 2000-01-01 in days since 1970-01-01
_WANTED_BY = "calibration intervals are the laboratory's or the shop's own"


def _over(c: Readings, due_day: NDArray[np.generic]) -> Mask:
    """The sample was counted after that day (0: not known), as far as its time is known."""
    due = np.asarray(due_day)
    if not due.any():
        return np.zeros(c.n, np.bool_)
    # an unknown time lies before all others
    end_ms = (due.astype(np.int64) + (_DAY_ZERO + 1)) * _DAY_MS
    return np.asarray((due > 0) & (c.utc_ms >= end_ms))


def counter_over(c: Readings) -> Mask:
    """The sample was counted after the day on which the counter's calibration was due."""
    return _over(c, c.whole("calibration_due_day"))


def counter_unknown(c: Readings) -> Mask:
    """No date was given on which the counter's calibration is due."""
    return np.asarray(c.whole("calibration_due_day") == 0)


def meter_over(c: Readings) -> Mask:
    """The sample was counted after the day on which the flow meter's calibration was due."""
    return _over(c, c.setting("meter_due_day"))


def meter_never(c: Readings) -> Mask:
    """The flow meter was never calibrated, by the settings in force."""
    return c.every(np.asarray(c.setting("meter_due_day") == 0))


def loops_over(c: Readings) -> Mask:
    """The sample was counted after the day on which the calibration of the loops' inputs was due."""
    return _over(c, c.setting("loops_due_day"))


def loops_never(c: Readings) -> Mask:
    """The inputs of the loops were never calibrated, by the settings in force."""
    return c.every(np.asarray(c.setting("loops_due_day") == 0))


CHECKS = (
    Check(
        "calibration",
        COUNTS,
        SUSPECT,
        counter_over,
        "day of the sample against the day calibration was due",
        (),
        PRACTICE,
        "calibration intervals are the laboratory's (ISO 11171 says how, not how often)",
        "Have the counter calibrated.",
    ),
    Check(
        "calibration-unknown",
        COUNTS,
        NOTE,
        counter_unknown,
        "whether a day was given",
        (),
        JUDGEMENT,
        "what nobody states cannot be checked",
        "Give `[counter] calibration_due` in skid.toml.",
    ),
    Check(
        "meter-calibration",
        COUNTS,
        SUSPECT,
        meter_over,
        "day of the sample against `meter_due_day`",
        (),
        PRACTICE,
        _WANTED_BY,
        "Calibrate the flow meter: `skidwright calibrate flow`. Every concentration rests on it.",
    ),
    Check(
        "meter-uncalibrated",
        COUNTS,
        NOTE,
        meter_never,
        "whether `meter_due_day` was given",
        (),
        JUDGEMENT,
        "what nobody states cannot be checked",
        "Calibrate the flow meter: `skidwright calibrate flow`. Every concentration rests on it.",
    ),
    Check(
        "loops-calibration",
        WATER | TEMPERATURE,
        SUSPECT,
        loops_over,
        "day of the sample against `loops_due_day`",
        (),
        PRACTICE,
        _WANTED_BY,
        "Calibrate the inputs of the current loops: `skidwright calibrate loop`.",
    ),
    Check(
        "loops-uncalibrated",
        WATER | TEMPERATURE,
        NOTE,
        loops_never,
        "whether `loops_due_day` was given",
        (),
        JUDGEMENT,
        "an input nobody calibrated may be off by some tenths of a milliampere",
        "Calibrate the inputs of the current loops: `skidwright calibrate loop`.",
    ),
)
