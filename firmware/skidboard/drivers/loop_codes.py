"""A counter that gives the scale number of one channel as a 4-20 mA loop, on the temperature loop's input.

A code is no count: how many particles it stands for, and what chance does to them, nobody can say. So the
counts stay at 0 and the record says that it has a code (docs/log_format.md); the host believes it less.
"""

import struct

from skidboard import records
from skidboard.cleanliness import ABOVE_TABLE, NOT_COUNTED
from skidboard.current_loop import LOOP_FAILED, loop_state
from skidboard.sample import Spread

_BAD_MS = 1000
_FLAGS = 103
_COUNTS = 40
_WINDOWS = 64
_CODES = 126


class LoopCodes:
    """Reads the loop by `board.temp_ua`; `follow()` it through a count, then `pack()` it into the record."""

    def __init__(self):
        self.counts = [0] * 6
        self.failed = False
        self.silent_ms = 0
        self._ua = 0
        self._during = Spread()
        self._worst = 0
        self._place = 1
        self._low = 0
        self._high = 28

    def configure(self, settings):
        """Take the settings."""
        self._place = settings["code_channel"] - 1
        self._low = settings["code_low"]
        self._high = settings["code_high"]

    def step(self, board, dt_ms):
        """Take the current as it is now."""
        self._ua = board.temp_ua
        if loop_state(self._ua) != LOOP_FAILED:
            self.silent_ms = 0
        elif self.silent_ms < 1 << 28:
            self.silent_ms += dt_ms
        self.counts[4] = board.counts[4]
        self.counts[5] = board.counts[5]
        self.failed = self.silent_ms >= _BAD_MS

    def follow(self, counting):
        """Take one tick in which a sample is counted, or waits for the edge with which its count begins."""
        if not counting:
            self._during.clear()
            self._worst = 0
            return
        self._during.add(self._ua)
        state = loop_state(self._ua)
        if state > self._worst:
            self._worst = state

    def why(self):
        """What is wrong, in words, behind the milliseconds since the loop last gave a reading."""
        return "ms; the code's loop is at %d uA" % self._ua

    def pack(self, slot):
        """Put the code in place of counts into a sample's record that is packed already."""
        loop = self._during
        code = NOT_COUNTED
        if self._worst != LOOP_FAILED:
            code = self._low + ((loop.mean() - 4000) * (self._high - self._low) + 8000) // 16000
            code = 0 if code < 0 else ABOVE_TABLE if code > ABOVE_TABLE else code
        for at in range(_COUNTS, _COUNTS + 16):
            slot[at] = 0
        for at in range(_WINDOWS, _WINDOWS + 32):
            slot[at] = 0
        for at in range(4):
            slot[_CODES + at] = code if at == self._place else NOT_COUNTED
        struct.pack_into(
            "<4H", slot, _WINDOWS + 8 * self._place, loop.mean(), loop.lowest, loop.highest, self._worst
        )
        slot[_FLAGS] = slot[_FLAGS] & 0xF0 | records.FLAG_CODE
