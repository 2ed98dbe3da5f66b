"""Until when the calibrations behind an asset's newest sample hold."""

import datetime

from skidwright.calibration.document import DAY_ZERO
from skidwright.config import Config
from skidwright.samples.history import History


def due_days(history: History, config: Config) -> dict[str, datetime.date | None]:
    """The day on which each calibration runs out, by the settings in force at the newest sample.

    None for one that was never made, as far as the board and skid.toml say.
    """
    log = history.logs[-1]
    in_force = log.settings.of(int(history.settings_crc[-1])) or log.settings.fallback
    return {
        "counter": _day(int(history.due_day[-1])) or config.counter.calibration_due,
        "flow meter": _day(in_force["meter_due_day"]),
        "current loops": _day(in_force["loops_due_day"]),
    }


def _day(number: int) -> datetime.date | None:
    """The day of that number, counted from 2000-01-01; None for 0."""
    return DAY_ZERO + datetime.timedelta(days=number) if number else None
