"""The edge counter's PIO program, assembled by MicroPython's assembler and interpreted cycle by cycle.

Guaranteed to a user: every level of 9 cycles (360 ns) and more counts, also while the counter is being read.
"""

import importlib
import os
import sys
from types import ModuleType

import numpy as np
import pio_assembler
import pytest
from pio_lanes import (
    ENDS_DELAY,
    HARMLESS,
    PER_CYCLE,
    TAKES_A_CYCLE,
    Lanes,
    random_edges,
    run,
)

CYCLE_NS = 40
LEAST = 9


def forget():
    """Have the board's counter modules loaded anew the next time."""
    for name in ("edges", "edge_counters"):
        sys.modules.pop(f"skidboard.board.{name}", None)


def load(monkeypatch):
    """(words, wrap target, wrap) of the program as it stands in the firmware."""
    rp2 = ModuleType("rp2")
    rp2.asm_pio = pio_assembler.asm_pio
    monkeypatch.setitem(sys.modules, "rp2", rp2)
    forget()
    made = importlib.import_module("skidboard.board.edges").counter
    forget()
    return list(made[0]), made[4] >> 7 & 31, made[4] >> 12 & 31


@pytest.fixture
def program(monkeypatch):
    return load(monkeypatch)


def counted_each(program, edges, **kw):
    lanes, rises = run(program, edges, **kw)
    return lanes.counted().astype(np.int64), lanes, rises


def test_the_words_by_the_datasheet(program):
    """Encoded by hand from the RP2040 datasheet, section 3.4; no side-set, so five bits of delay."""
    words, target, wrap = program
    by_hand = [
        0x2000 | 5 << 8 | 0 << 7 | 1 << 5 | 0,  # WAIT 0 PIN 0 [5]
        0x0000 | 6 << 5 | 0,  # JMP PIN 0
        0x2000 | 6 << 8 | 1 << 7 | 1 << 5 | 0,  # WAIT 1 PIN 0 [6]
        0x0000 | 6 << 5 | 5,  # JMP PIN 5
        0x0000 | 0 << 5 | 2,  # JMP 2
        0x0000 | 2 << 5 | 0,  # JMP X-- 0
    ]
    assert words == by_hand and (target, wrap) == (0, 5)
    # A label behind the last instruction would be a jump to 6, out of the program.
    assert all(word & 31 < len(words) for word in words if word >> 13 == 0)


def test_random_spacing_down_to_the_shortest_level(program):
    """100,000 pulses; SKIDWRIGHT_PIO_EDGES=10000000 (`make pio`) for as many."""
    wanted = int(os.environ.get("SKIDWRIGHT_PIO_EDGES", "100000"))
    pulses = 50 if wanted <= 100_000 else 1000
    lanes = -(-wanted // pulses)
    rng = np.random.default_rng(1)
    missed = double = 0
    for begin in range(0, lanes, 10_000):
        n = min(10_000, lanes - begin)
        got, _, _ = counted_each(program, random_edges(rng, n, pulses, LEAST))
        missed += int(np.maximum(pulses - got, 0).sum())
        double += int(np.maximum(got - pulses, 0).sum())
    what = f"levels of {LEAST * CYCLE_NS} ns (3 in 10) to 1000 ns"
    print(f"figure: PIO counter: {lanes * pulses:,} pulses, {what}: {missed} missed, {double} too many")
    assert missed == 0 and double == 0


def test_where_it_begins_to_miss(program):
    rng = np.random.default_rng(2)
    lanes, pulses = 400, 25
    shares = {}
    for quarter in range(5 * 4, 10 * 4 + 1):
        width = quarter / 4
        for what in ("high", "low"):
            widths = rng.integers(12 * PER_CYCLE, 25 * PER_CYCLE, (lanes, 2 * pulses), dtype=np.int32)
            # Rise k is widths[2k], so that high k is widths[2k + 1] and low k + 1 is widths[2k + 2].
            widths[:, 1::2] = int(width * PER_CYCLE) if what == "high" else widths[:, 1::2]
            if what == "low":
                widths[:, 2::2] = int(width * PER_CYCLE)
            got, _, _ = counted_each(program, np.cumsum(widths, axis=1, dtype=np.int32))
            assert (got <= pulses).all()
            shares[what, width] = 1 - got.sum() / (lanes * pulses)
    for what in ("high", "low"):
        widths = sorted(w for name, w in shares if name == what)
        sure = min(w for w in widths if all(shares[what, v] == 0 for v in widths if v >= w))
        # one rise a lane comes after no short low
        all_gone = 1.0 if what == "high" else 1 - 1 / pulses
        gone = max(w for w in widths if shares[what, w] >= all_gone - 1e-9)
        below = sure - 0.25
        some = f"some are at {below * CYCLE_NS:.0f} ns ({shares[what, below]:.0%})"
        none = f"none is counted at {gone * CYCLE_NS:.0f} ns"
        print(f"figure: PIO counter: a {what} of {sure * CYCLE_NS:.0f} ns is never missed, {some}, {none}")
    high = [shares["high", w] for w in (6.75, 7.0, 7.5, 8.0)]
    # Seen at two looks 7 cycles apart: by chance of phase, width less 7 of one cycle.
    assert high[0] == 1 and high[2] == pytest.approx(0.5, abs=0.03) and high[3] == 0


@pytest.mark.parametrize("effect", [HARMLESS, TAKES_A_CYCLE, ENDS_DELAY])
def test_reading_at_any_instant_loses_nothing(program, effect):
    """Each lane is read once, somewhere among pulses of the shortest levels, at an edge as often as not."""
    rng = np.random.default_rng(3)
    lanes, pulses = 20_000, 4
    edges = random_edges(rng, lanes, pulses, LEAST, most=14.0, at_least=0.5)
    at_an_edge = edges[np.arange(lanes), rng.integers(0, 2 * pulses, lanes)] // PER_CYCLE
    anywhere = rng.integers(20, edges[:, -1] // PER_CYCLE)
    reads = np.where(rng.random(lanes) < 0.5, at_an_edge + rng.integers(-1, 11, lanes), anywhere)
    got, lane, rises = counted_each(program, edges, reads=reads, effect=effect)
    assert (got == pulses).all(), f"{(got != pulses).sum()} of {lanes} miscounted"
    # What was read is what had come, or one less: the edge of the moment is in this reading or in the next.
    read = (~lane.isr).astype(np.int64)
    assert ((rises - read >= 0) & (rises - read <= 1)).all()
    what = f"{lanes:,} reads among pulses of {LEAST * CYCLE_NS} ns, a forced instruction {effect}"
    print(f"figure: PIO counter: {what}: none lost, none double")


def test_a_cycle_taken_away_is_what_the_ninth_is_for(program):
    """With levels of 8 cycles a reading that takes a cycle must be seen to lose pulses: the test can fail."""
    rng = np.random.default_rng(3)
    lanes, pulses = 20_000, 4
    edges = random_edges(rng, lanes, pulses, LEAST - 1, most=14.0, at_least=0.5)
    reads = rng.integers(20, edges[:, -1] // PER_CYCLE)
    lost = (counted_each(program, edges, reads=reads, effect=TAKES_A_CYCLE)[0] < pulses).mean()
    assert 0.05 < lost < 0.5, lost
    assert (counted_each(program, edges)[0] == pulses).all()


class StateMachine:
    """`rp2.StateMachine` on the interpreter: time passes, and pulses come, with each call."""

    now: dict = {}

    def __init__(self, number, program, freq, in_base, jmp_pin):
        assert in_base is jmp_pin and freq == 25_000_000
        self.lanes = Lanes(program[0], program[4] >> 7 & 31, program[4] >> 12 & 31, 1, x=0)
        self.number, self.pin, self.fifo, self.running = number, in_base.number, [], False
        StateMachine.now[self.pin] = self

    def active(self, on):
        self.running = bool(on)

    def exec(self, word):
        if word == 0xA02B:  # MOV X, !NULL
            self.lanes.x[:] = 0xFFFFFFFF
        elif word == 0xA0C1:  # MOV ISR, X
            self.pass_time(forced=True)
        elif word == 0x8000:  # PUSH NOBLOCK clears ISR
            self.fifo.append(int(self.lanes.isr[0]))
            self.lanes.isr[:] = 0
        else:
            raise AssertionError(f"0x{word:04x}")

    def get(self, words):
        assert len(self.fifo) == 1
        words[0] = self.fifo.pop()

    def pass_time(self, forced=False):
        self.lanes.cycle(np.array([self.level()]), np.array([True]) if forced else None, TAKES_A_CYCLE)

    def level(self):
        """A square wave of 9 cycles each, after 40 low, until 3000 pulses have come."""
        since = self.lanes.cycles - 40
        return since >= 0 and since // 18 < 3000 and since % 18 < 9


def test_the_firmware_reads_while_pulses_come(monkeypatch):
    """edge_counters.py itself on the interpreter, read at random moments across the wrap of 30 bits."""
    rp2 = ModuleType("rp2")
    rp2.asm_pio, rp2.asm_pio_encode = pio_assembler.asm_pio, pio_assembler.asm_pio_encode
    rp2.StateMachine = StateMachine
    machine, micropython = ModuleType("machine"), ModuleType("micropython")
    machine.Pin = type("Pin", (), {"IN": 0, "__init__": lambda self, n, mode: setattr(self, "number", n)})
    micropython.viper = lambda function: function
    for name, module in (("machine", machine), ("rp2", rp2), ("micropython", micropython)):
        monkeypatch.setitem(sys.modules, name, module)
    forget()
    edge_counters = importlib.import_module("skidboard.board.edge_counters")
    monkeypatch.setattr(edge_counters, "ptr32", lambda words: words, raising=False)
    counters = edge_counters.EdgeCounters()
    counters.add(2)
    counters.add(3)
    forget()
    sm = StateMachine.now[3]
    assert sm.number == 1 and sm.running
    start = (1 << 30) - 1000
    sm.lanes.x[:] = ~np.uint32(start)
    rng = np.random.default_rng(5)
    before = start
    while sm.lanes.cycles < 3000 * 18 + 100:
        for _ in range(int(rng.integers(125, 400))):
            sm.pass_time()
        rises = min(max((sm.lanes.cycles - 40) // 18 + 1, 0), 3000)
        now = counters.read(1)
        assert 0 <= (start + rises - now) & 0x3FFFFFFF <= 1
        assert (now - before) & 0x3FFFFFFF < 100
        before = now
    assert counters.read(1) == (start + 3000) & 0x3FFFFFFF == 2000
    counters.stop()
    assert not sm.running


def test_x_falls_through_zero(program):
    """30 bits of the count are used, so 32 may wrap: four pulses from X = 2 on."""
    words, target, wrap = program
    lanes = Lanes(words, target, wrap, 1, x=2)
    for level in [0] * 20 + ([1] * 12 + [0] * 12) * 4:
        lanes.cycle(np.array([bool(level)]))
    assert int(lanes.x[0]) == (2 - 4) & 0xFFFFFFFF
    assert (int(~lanes.x[0]) & 0x3FFFFFFF) == ((0xFFFFFFFF - 2 + 4) & 0x3FFFFFFF)


def test_a_bouncing_edge_counts_once_when_the_bounces_are_short(program):
    """Bounces of up to 5 cycles (200 ns) at both ends of a pulse of 60."""
    rng = np.random.default_rng(4)
    n = 2000
    bounces = rng.integers(1 * PER_CYCLE, 6 * PER_CYCLE - 1, (n, 8), dtype=np.int32)
    widths = np.concatenate(
        [
            np.full((n, 1), 30 * PER_CYCLE), bounces[:, :4], np.full((n, 1), 60 * PER_CYCLE), bounces[:, 4:],
        ],
        axis=1,
    ).astype(np.int32)  # fmt: skip
    got, _, _ = counted_each(program, np.cumsum(widths, axis=1, dtype=np.int32))
    assert (got == 1).all(), np.bincount(got)


def test_an_instruction_it_does_not_know_is_refused():
    with pytest.raises(ValueError):
        Lanes([0xE020], 0, 0, 1)
