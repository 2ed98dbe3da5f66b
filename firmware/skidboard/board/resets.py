"""Why the chip was reset, kept where a reset does not reach, and the watchdog's switch.

`machine.reset_cause()` cannot tell a watchdog's bite from `machine.reset()`,
nor a soft reset from either. So a note is kept in a watchdog scratch register
(a reset leaves those alone, loss of power clears them; MicroPython uses 4 to 7),
and a mark in a register of the unused PWM slice 7, which any reset of the chip
clears and a soft reset does not. Addresses from the RP2040 and RP2350 data
sheets, chapters "Watchdog" and "PWM".
"""

import sys

import machine
from machine import mem32

_RP2350 = "RP2350" in sys.implementation._machine
_WATCHDOG = 0x400D8000 if _RP2350 else 0x40058000
_CTRL = _WATCHDOG
_REASON = _WATCHDOG + 0x08
_SCRATCH = _WATCHDOG + 0x0C
_CLEAR = 0x3000
_CTRL_ENABLE = 1 << 30
_REASON_TIMER = 1
_PWM7_CC = (0x400A8000 if _RP2350 else 0x40050000) + 7 * 0x14 + 0x0C

_MAGIC = 0x5B1D0000
_RUNNING = 1
_ENDED = 2
_STAY_OUT = 3

POWER = 0
SOFT = 1
WATCHDOG = 2
COMMANDED = 3


def take_cause():
    """(cause, stay out of the app?) for this start; notes that the app runs from now on."""
    note = mem32[_SCRATCH]
    hard = mem32[_PWM7_CC] & 0xFFFFFFFF != _MAGIC
    if note & 0xFFFF0000 != _MAGIC:
        cause = POWER
    elif not hard:
        cause = SOFT
    elif mem32[_REASON] & _REASON_TIMER:
        cause = WATCHDOG
    else:
        cause = COMMANDED
    mem32[_SCRATCH] = _MAGIC | _RUNNING
    mem32[_PWM7_CC] = _MAGIC
    return cause, note == _MAGIC | _STAY_OUT


def note_end():
    """Note that the app has ended in good order."""
    mem32[_SCRATCH] = _MAGIC | _ENDED


def pause_watchdog():
    """Switch the watchdog's count off, which the chip allows though `machine.WDT` does not; True when off."""
    mem32[_CTRL + _CLEAR] = _CTRL_ENABLE
    return not mem32[_CTRL] & _CTRL_ENABLE


def reset_and_stay_out():
    """Reset the chip; the next start stays out of the app, the one after that does not."""
    mem32[_SCRATCH] = _MAGIC | _STAY_OUT
    machine.reset()
