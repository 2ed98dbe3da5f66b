"""Millisecond and microsecond ticks that wrap at 2**30, compared without overflow.

On the board these are the built-in functions, which allocate nothing.
"""

PERIOD = 1 << 30

try:
    from time import ticks_add, ticks_diff  # type: ignore[attr-defined]

    # MicroPython on a 64-bit machine has built-in ticks too, but they wrap elsewhere.
    if ticks_diff(0, PERIOD - 1) != 1:
        raise ImportError
except ImportError:

    def ticks_diff(later, earlier):
        """Signed distance from `earlier` to `later`, right while it is below half a period."""
        return ((later - earlier + (PERIOD >> 1)) & (PERIOD - 1)) - (PERIOD >> 1)

    def ticks_add(ticks, delta):
        """`ticks` moved by `delta`, wrapped."""
        return (ticks + delta) & (PERIOD - 1)
