"""A counter with a line of its own, as docs/counter_drivers.md asks for it: ten lines a second, 9600 baud.

A second programme by the same page, not the driver's turned round: a test holds one against the other.
"""
# mypy: ignore-errors

SILENT = 1
GARBLED = 2
RESTARTED = 4
NOT_MEASURING = 8

LINE_US = 100000
_FORM = "N %d %d %d %d %d %d "
_KEPT = 256  # bytes that the board's port holds


def crc(data):
    """CRC of ITU-T V.41 over bytes, bit by bit from 0."""
    value = 0
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def line(number, totals, state=0):
    """One line, its end included."""
    text = (_FORM % (number % 256, totals[0], totals[1], totals[2], totals[3], state)).encode()
    return text + b"%04X\r\n" % crc(text)


class LineCounter:
    """Lines as they fall due; each says the totals that stood at the read before it."""

    def __init__(self):
        self._number = 0
        self._due_us = 0
        self._totals = [0] * 4
        self._zero = [0] * 4
        self._port = b""

    def read(self, buf, counts, now_us, fault):
        """Put what has come into `buf`; the number of bytes."""
        if fault & RESTARTED:
            self._zero = list(counts[:4])
            self._totals = [0] * 4
            self._number = 0
        missed = (now_us - self._due_us) // LINE_US
        if missed > 8:
            self._number += missed - 8
            self._due_us += (missed - 8) * LINE_US
        while self._due_us <= now_us:
            self._due_us += LINE_US
            self._number += 1
            if fault & (SILENT | RESTARTED):
                continue
            said = line(self._number, self._totals, 3 if fault & NOT_MEASURING else 0)
            if fault & GARBLED:
                # as a line at half the rate reads: every other byte is another one
                said = bytes([byte ^ 0x55 if i & 1 else byte for i, byte in enumerate(said)])
            self._port = (self._port + said)[:_KEPT]
        self._totals = [(counts[i] - self._zero[i]) & 0x3FFFFFFF for i in range(4)]
        n = min(len(buf), len(self._port))
        buf[:n] = self._port[:n]
        self._port = self._port[n:]
        return n
