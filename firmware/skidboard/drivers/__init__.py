"""Counters that give no pulses: one file a driver, imported only when the setting `counter_driver` names it.

A driver has `counts`, six running totals modulo 2**30 as the board's own; `failed`, true while it may not be
believed; `silent_ms` and `why()` for the record of the fault; and `step(board, dt_ms)`, which is part of the
control tick: it allocates nothing and waits for nothing. What is asked of a sensor: docs/counter_drivers.md.
"""

PULSES = 0
PLAIN_SERIAL = 1
LOOP_CODES = 2


def chosen(number):
    """A new driver by the number of the setting; None for pulses, which the board itself counts."""
    if number == PLAIN_SERIAL:
        from skidboard.drivers.plain_serial import PlainSerial

        return PlainSerial()
    if number == LOOP_CODES:
        from skidboard.drivers.loop_codes import LoopCodes

        return LoopCodes()
    return None
