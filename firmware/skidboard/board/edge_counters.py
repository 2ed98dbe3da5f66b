"""Edge counters: one PIO state machine for each pin, read without stopping it.

`jmp(x_dec)` takes one cycle, so a copy of X is always a whole number: an edge at the
instant of reading is in this reading or in the next one.
"""

from array import array

import micropython
import rp2
from machine import Pin

from skidboard.board.edges import counter

# One PIO cycle is 40 ns: a level that lasts 9 of them, 360 ns, is counted, a spike below 240 ns is not. A
# pulse takes 16 at most, so that a million a second are counted. Divides the clock of both chips without
# remainder.
PIO_HZ = 25000000


class EdgeCounters:
    """Counters in the order in which their pins were added; at most eight on an RP2040."""

    def __init__(self):
        # Encoding takes milliseconds and leaves garbage: once is enough.
        self._copy = rp2.asm_pio_encode("mov(isr, x)", 0)
        self._push = rp2.asm_pio_encode("push(noblock)", 0)
        self._fill = rp2.asm_pio_encode("mov(x, invert(null))", 0)
        self._machines = []
        self._words = []

    def add(self, number):
        """Count on GPIO `number` from now on. Raises ValueError when no state machine is left."""
        pin_in = Pin(number, Pin.IN)
        sm = rp2.StateMachine(len(self._machines), counter, freq=PIO_HZ, in_base=pin_in, jmp_pin=pin_in)
        sm.exec(self._fill)
        sm.active(1)
        self._machines.append(sm)
        self._words.append(array("I", [0]))

    def read(self, i):
        """Edges of counter `i` so far, modulo 2**30. Allocates nothing."""
        sm = self._machines[i]
        sm.exec(self._copy)
        sm.exec(self._push)
        words = self._words[i]
        sm.get(words)
        return _counted(words)

    def stop(self):
        """Count no more."""
        for sm in self._machines:
            sm.active(0)


@micropython.viper
def _counted(words) -> int:
    """The count in 30 bits from X, which began at all ones and went down."""
    return int(~ptr32(words)[0] & 0x3FFFFFFF)  # noqa: F821
