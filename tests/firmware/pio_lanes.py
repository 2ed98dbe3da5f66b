"""Interprets a PIO program instruction by instruction, cycle by cycle, on many state machines at once.

One lane is one state machine with a pin of its own; all lanes take each cycle together, as numpy arrays. No
cycle is skipped. Instructions as in the RP2040 datasheet, section 3.4, those the counter uses: JMP (always,
!X, X--, PIN), WAIT PIN, and MOV ISR,X / PUSH when forced from outside. Another one raises ValueError.

A pin is what the state machine sees: its level behind the input synchroniser, which only delays it. Levels
change at times of 1/64 cycle and are looked at on whole cycles.
"""

import numpy as np

PER_CYCLE = 64
_JMP, _WAIT = 0, 1
_ALWAYS, _NOT_X, _X_DEC, _PIN = 0, 1, 2, 6

# What a forced instruction may do to the state machine's own (RP2040 datasheet, the section on forced
# instructions: it executes "rather than the instruction it would have fetched", ignoring the clock divider).
HARMLESS = "between two cycles"
TAKES_A_CYCLE = "takes a cycle, delay goes on after it"
ENDS_DELAY = "takes a cycle and ends a delay"


class Lanes:
    """`n` state machines running `words`, which wrap from `wrap` to `target`. X starts at `x`."""

    def __init__(self, words, target, wrap, n, x=0xFFFFFFFF):
        words = np.asarray(words, np.uint16)
        self._op = (words >> 13).astype(np.int8)
        self._delay_of = (words >> 8 & 31).astype(np.int32)
        self._condition = (words >> 5 & 7).astype(np.int8)
        self._low = (words & 31).astype(np.int32)
        polarity = (words >> 7 & 1).astype(bool)
        source = words >> 5 & 3
        for i, op in enumerate(self._op):
            known = (
                op == _JMP
                and self._condition[i] in (_ALWAYS, _NOT_X, _X_DEC, _PIN)
                or op == _WAIT
                and source[i] == 1
            )
            if not known:
                raise ValueError(f"instruction {i}, 0x{words[i]:04x}, is not interpreted here")
            if op == _WAIT and self._low[i] != 0:
                raise ValueError(f"instruction {i} waits for a pin other than the first")
        self._polarity = polarity
        self._is_wait = self._op == _WAIT
        self._following = np.arange(1, len(words) + 1, dtype=np.int32)
        self._following[wrap] = target
        self.pc = np.zeros(n, np.int32)
        self.delay = np.zeros(n, np.int32)
        self.x = np.full(n, x, np.uint32)
        self.isr = np.zeros(n, np.uint32)
        self.cycles = 0

    def cycle(self, level, forced=None, effect=HARMLESS):
        """One cycle with the pins at `level` (bools). Lanes marked in `forced` copy X to ISR in it."""
        working = self.delay == 0
        if forced is not None:
            # X as it stands at this moment; the copy takes one system clock and cannot split X--.
            self.isr[forced] = self.x[forced]
            if effect != HARMLESS:
                working &= ~forced
        else:
            forced = np.False_
        pc = self.pc
        is_wait = self._is_wait[pc]
        stalled = is_wait & (level != self._polarity[pc])
        done = working & ~stalled
        condition = self._condition[pc]
        x = self.x
        decrement = done & ~is_wait & (condition == _X_DEC)
        jump = ~is_wait & (
            (condition == _ALWAYS)
            | ((condition == _PIN) & level)
            | ((condition == _NOT_X) & (x == 0))
            | ((condition == _X_DEC) & (x != 0))
        )
        following = np.where(jump, self._low[pc], self._following[pc])
        # A delay counts down in cycles of its own, and stands still while a forced instruction has the cycle.
        counts_down = (self.delay > 0) & (True if effect == HARMLESS else ~forced)
        self.delay = np.where(done, self._delay_of[pc], self.delay - counts_down)
        if effect == ENDS_DELAY and forced is not np.False_:
            self.delay[forced] = 0
        self.pc = np.where(done, following, pc)
        self.x = x - decrement.astype(np.uint32)
        self.cycles += 1

    def counted(self):
        """How far X has come down from all ones, in 32 bits."""
        return ~self.x


def run(program, edges, reads=None, effect=HARMLESS):
    """Let lanes see `edges`, times of level changes in 1/64 cycle, first rise first, one row a lane.

    `reads` gives for each lane the cycle at which X is copied, or None. Returns (lanes, rises that had come
    by then): the second is None without reads.
    """
    words, target, wrap = program
    n, changes = edges.shape
    lanes = Lanes(words, target, wrap, n)
    rows = np.arange(n)
    padded = np.concatenate([edges, np.full((n, 1), np.iinfo(edges.dtype).max, edges.dtype)], axis=1)
    at = np.zeros(n, np.int64)
    upcoming = padded[:, 0].copy()
    level = np.zeros(n, bool)
    rises = None if reads is None else np.zeros(n, np.int64)
    last = int(edges.max()) // PER_CYCLE + 64
    for cycle in range(last):
        # A change shows from the first whole cycle at or after it; none is shorter than a cycle here.
        come = upcoming <= cycle * PER_CYCLE
        level ^= come
        if come.any():
            at += come
            where = rows[come]
            upcoming[where] = padded[where, at[where]]
        if reads is None:
            lanes.cycle(level)
        else:
            forced = reads == cycle
            if forced.any():
                rises[forced] = (at[forced] + 1) // 2
                lanes.cycle(level, forced, effect)
            else:
                lanes.cycle(level)
    assert (at == changes).all()
    return lanes, rises


def random_edges(rng, lanes, pulses, least, most=25.0, at_least=0.3):
    """Level changes of random spacing in 1/64 cycle: a share `at_least` of exactly `least` cycles."""
    widths = rng.integers(int(least * PER_CYCLE), int(most * PER_CYCLE), (lanes, 2 * pulses), dtype=np.int32)
    widths[rng.random((lanes, 2 * pulses), dtype=np.float32) < at_least] = int(least * PER_CYCLE)
    # At the start the pin is low for long enough to be believed.
    widths[:, 0] += 20 * PER_CYCLE
    return np.cumsum(widths, axis=1, dtype=np.int32)
