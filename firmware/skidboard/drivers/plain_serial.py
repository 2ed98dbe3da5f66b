"""A counter that says its running totals in lines of text, several a second: docs/counter_drivers.md.

    N <line> <4 um> <6 um> <14 um> <21 um> <state> <check>

Totals only ever rise, so that a lost line costs no particle: the next one has it.
"""

from skidboard.counters import MASK

# Of bytes taken in a tick, and what the board keeps meanwhile: at rest a tick is a second, and of the lines
# that come then a few are enough.
BYTES = 256
SILENT_MS = 500
_RESTART_MS = 2000
# More than this between two lines is no count: the sensor has begun anew.
_RISE_MAX = 1 << 20
_LAST_NUMBER = 5
_CHECK = 6
_SKIP = 7
# CRC of ITU-T V.41 (x^16 + x^12 + x^5 + 1) from 0, by half bytes: `binascii.crc_hqx` of CPython.
_CRC = (
    0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
    0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF,
)  # fmt: skip


class PlainSerial:
    """Reads lines by `board.counter_read(buf)`, which gives the number of bytes that it put there."""

    def __init__(self):
        self.counts = [0] * 6
        self.failed = False
        self.silent_ms = 0
        self._in = bytearray(BYTES)
        self._came = False
        self._restart_ms = 0
        self._known = False
        self._seen = [0] * 4
        self._line = -1
        self._state = 0
        # The line being read: its numbers, the one that grows, its digits, check as said and as found.
        self._numbers = [0] * (_LAST_NUMBER + 1)
        self._field = -1
        self._digits = 0
        self._said = 0
        self._crc = 0
        self._to_space = 0

    def step(self, board, dt_ms):
        """Take what has come since the last tick."""
        if self.silent_ms < 1 << 28:
            self.silent_ms += dt_ms
        if self._restart_ms > 0:
            self._restart_ms -= dt_ms
        buf = self._in
        n = board.counter_read(buf)
        if n:
            self._came = True
        for i in range(n):
            self._take_byte(buf[i])
        self.counts[4] = board.counts[4]
        self.counts[5] = board.counts[5]
        self.failed = self.silent_ms >= SILENT_MS or self._restart_ms > 0 or self._state != 0

    def why(self):
        """What is wrong, in words, behind the milliseconds since the last good line."""
        if self._restart_ms > 0:
            return "ms; the counter began anew"
        if self.silent_ms < SILENT_MS:
            return "ms; the counter says it does not measure: state %d" % self._state
        return "ms without a good line; bytes came" if self._came else "ms; nothing came"

    def _begin(self):
        self._field = -1
        self._digits = 0
        self._crc = 0

    def _take_byte(self, byte):
        if byte == 10:
            if self._field == _CHECK and self._digits == 4 and self._said == self._to_space:
                self._take_line()
            self._begin()
            return
        field = self._field
        if field == _SKIP or (byte == 13 and field == _CHECK):
            return
        crc = self._crc
        crc = (crc << 4 & 0xFFFF) ^ _CRC[crc >> 12 ^ byte >> 4]
        crc = (crc << 4 & 0xFFFF) ^ _CRC[crc >> 12 ^ byte & 15]
        self._crc = crc
        if byte == 32:
            if not self._digits or field == _CHECK:
                self._field = _SKIP
                return
            self._field = field + 1
            self._digits = 0
            self._said = 0
            self._to_space = crc
            if field < _LAST_NUMBER:
                self._numbers[field + 1] = 0
        elif field == -1:
            # The letter counts as a digit, so that a space may follow.
            if byte != 78 or self._digits:
                self._field = _SKIP
            self._digits = 1
        else:
            self._take_digit(field, byte)

    def _take_digit(self, field, byte):
        digit = byte - 48
        if field == _CHECK and 17 <= digit <= 22:
            digit -= 7
        elif not 0 <= digit <= 9:
            self._field = _SKIP
            return
        self._digits += 1
        if field == _CHECK:
            self._said = (self._said << 4 | digit) & 0xFFFF
            return
        number = self._numbers[field]
        # Ten times more would be no small integer any more.
        if self._digits > 10 or number > 107374182 or (number == 107374182 and digit > 3):
            self._field = _SKIP
        else:
            self._numbers[field] = number * 10 + digit

    def _take_line(self):
        """A good line: the totals rise by what is new in it. A line said twice is none."""
        numbers = self._numbers
        if numbers[0] == self._line:
            return
        self._line = numbers[0]
        self._state = numbers[_LAST_NUMBER]
        self.silent_ms = 0
        self._came = False
        seen = self._seen
        for i in range(4):
            if self._known and (numbers[i + 1] - seen[i]) & MASK > _RISE_MAX:
                self._restart_ms = _RESTART_MS
                self._known = False
        for i in range(4):
            if self._known:
                self.counts[i] = (self.counts[i] + numbers[i + 1] - seen[i]) & MASK
            seen[i] = numbers[i + 1]
        self._known = True
