"""The virtual skid's board: the same interface as the real one, with a plant model in place of pins.

Time is virtual and moves only in `idle()` and by what flash operations cost.
Each `idle()` sends one request to the plant (when to wake, pump duty, outputs)
and takes one reply (the time now, inputs). Both are arrays of 64-bit integers
of fixed size, so that the exchange is quick and allocates nothing.

What a real board has in ROM and hardware (serial port, flash, reset) comes from
the module `skidrom`, which the virtual skid's start script puts in place.
"""

import sys
from array import array

# Eight bytes: MicroPython on Linux gives small integers for "l" only, CPython's "l" may be shorter.
WORD = "l" if sys.implementation.name == "micropython" else "q"

# What a request asks for.
ADVANCE = 0
START = 1
LEAVE = 2
POWER_GONE = 3
RESET = 4

# Places in a request.
OP, TAG, WAKE_US, DUTY, OUTPUTS, WATCHDOG_MS, FED_US, FLASH_OPERATIONS, EXTRA = range(9)
REQUEST_WORDS = 9

# Places in a reply; six counts stand from COUNTS on.
R_TAG, R_FLAGS, R_UPTIME_US, R_INPUTS, R_METER_COUNT, R_METER_EDGE_US, R_WATER_UA, R_TEMP_UA, R_TEMP_OHM = (
    range(9)
)
R_DIE_AT, R_COUNTS, R_COUNTER_FAULT = 9, 10, 16
REPLY_WORDS = 17

# Flags in a reply. WAIT: not there yet, watch the cable meanwhile; another reply to the same request follows.
WAIT = 1
CABLE = 2

_MASK = (1 << 30) - 1
NEVER = (1 << 62) - 1


class Board:
    """The board of the virtual skid. Attributes and methods are those of every board."""

    def __init__(self):
        import skidrom

        self._rom = skidrom
        self.device_id = skidrom.device_id
        self.log_dir = skidrom.log_dir
        self.settings_path = skidrom.settings_path
        self.counts = [0] * 6
        self.meter_count = 0
        self.meter_edge_us = 0
        self.water_ua = 0
        self.temp_ua = 0
        self.temp_ohm = 0
        self.inputs = 0
        self.tacho_count = 0
        self._flash = skidrom.flash
        self._request = array(WORD, [0] * REQUEST_WORDS)
        self._reply = array(WORD, [0] * REPLY_WORDS)
        self._uptime_us = 0
        self._offset_ms = skidrom.ticks_start_ms
        self._random = skidrom.random_seed
        self._left = False
        self._send = skidrom.send
        self._receive = skidrom.receive
        self._exchange(START, 0)
        self.refresh()

    def _now_us(self):
        return self._uptime_us + self._flash.busy_us

    def ticks_ms(self):
        """Milliseconds, modulo 2**30."""
        return ((self._uptime_us + self._flash.busy_us) // 1000 + self._offset_ms) & _MASK

    def ticks_us(self):
        """Microseconds, modulo 2**30."""
        return (self._uptime_us + self._flash.busy_us + self._offset_ms * 1000) & _MASK

    def _exchange(self, op, wake_us, extra=0):
        """Ask the plant and take its reply; returns early when serial input comes while time waits."""
        request = self._request
        reply = self._reply
        tag = (request[TAG] + 1) & 0xFFFF
        request[OP] = op
        request[TAG] = tag
        request[WAKE_US] = wake_us
        request[EXTRA] = extra
        request[FLASH_OPERATIONS] = self._flash.operations
        self._send(request)
        while True:
            self._receive(reply)
            if reply[R_TAG] != tag:
                # A late answer to a request that serial input cut short.
                continue
            self._flash.die_at = reply[R_DIE_AT]
            uptime_us = reply[R_UPTIME_US]
            # Flash time is inside the wake time once the plant has moved on to it.
            self._flash.busy_us = max(0, self._now_us() - uptime_us)
            self._uptime_us = uptime_us
            if not reply[R_FLAGS] & WAIT:
                return
            if reply[R_FLAGS] & CABLE and self._rom.wait_serial():
                return

    def idle(self, ms):
        """Let `ms` milliseconds of virtual time pass, or fewer when serial input waits."""
        self._exchange(ADVANCE, self._now_us() + ms * 1000)

    def refresh(self):
        """Latch all inputs into the attributes. Allocates nothing."""
        reply = self._reply
        counts = self.counts
        for i in range(6):
            counts[i] = reply[R_COUNTS + i]
        self.meter_count = reply[R_METER_COUNT]
        self.meter_edge_us = (reply[R_METER_EDGE_US] + self._offset_ms * 1000) & _MASK
        self.water_ua = reply[R_WATER_UA]
        self.temp_ua = reply[R_TEMP_UA]
        self.temp_ohm = reply[R_TEMP_OHM]
        self.inputs = reply[R_INPUTS]

    def counter_read(self, buf):
        """What a counter with a line says into `buf`: the number of bytes."""
        reply = self._reply
        return self._rom.line_counter.read(buf, self.counts, reply[R_UPTIME_US], reply[R_COUNTER_FAULT])

    def set_pump(self, duty_permille):
        """Pump drive from 0 to 1000 thousandths."""
        self._request[DUTY] = duty_permille

    def set_outputs(self, mask):
        """Bits 0-7 selector valves, bit 8 "stored" lamp, bit 9 "fault" lamp."""
        self._request[OUTPUTS] = mask

    def safe(self):
        """Pump and outputs off."""
        self._request[DUTY] = 0
        self._request[OUTPUTS] = 0

    def serial_read(self, buf):
        """Read what has come into `buf`; the number of bytes, 0 when there is nothing. Never blocks."""
        if not self._reply[R_FLAGS] & CABLE:
            return 0
        return self._rom.serial_read(buf)

    def serial_write(self, buf, n):
        """Write up to `n` bytes; the number accepted. Never blocks. Without a cable all is dropped."""
        if not self._reply[R_FLAGS] & CABLE:
            return n
        return self._rom.serial_write(buf, n)

    def random_u32(self):
        """A 32-bit number from the seed of the virtual skid (splitmix64)."""
        self._random = (self._random + 0x9E3779B97F4A7C15) & 0xFFFFFFFFFFFFFFFF
        z = self._random
        z = ((z ^ (z >> 30)) * 0xBF58476D1CE4E5B9) & 0xFFFFFFFFFFFFFFFF
        z = ((z ^ (z >> 27)) * 0x94D049BB133111EB) & 0xFFFFFFFFFFFFFFFF
        return (z ^ (z >> 31)) >> 32

    def reset_cause(self):
        """0 power, 1 soft, 2 watchdog, 3 commanded."""
        return self._rom.cause

    def start_watchdog(self, ms):
        """Reset the board when `feed()` stays away for `ms` milliseconds of virtual time."""
        self._request[WATCHDOG_MS] = ms
        self.feed()

    def feed(self):
        """Tell the watchdog that all is well."""
        self._request[FED_US] = self._now_us()

    def utc_ms(self):
        """UTC of a clock chip in milliseconds since 1970, or None: the scenario says whether there is one."""
        base_ms = self._rom.utc_base_ms
        return None if base_ms is None else base_ms + self._now_us() // 1000

    def set_utc_ms(self, utc_ms):
        """Nothing: the virtual clock chip is always right."""

    def configure(self, settings):
        """Nothing: converter and tachometer are not modelled."""

    def leave(self):
        """Stop for good with the pump safe and no watchdog; the start script goes on to the REPL."""
        if not self._left:
            self._left = True
            self.safe()
            self._request[WATCHDOG_MS] = 0
            self._exchange(LEAVE, self._now_us(), 1 if self._rom.raw_repl_wanted else 0)
            self._rom.left = True
        raise SystemExit
