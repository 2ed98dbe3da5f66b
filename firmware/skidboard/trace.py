"""What the control loop saw and did in its latest ticks, for a host that watches a step test."""

import struct
from array import array

ROWS = 128
# now_us and edge_us (ticks_us), meter_count, then flow_ul_s as the controller had it and the duty it gave.
ROW_FORMAT = "<IIIHH"
ROW_BYTES = struct.calcsize(ROW_FORMAT)
_INDEX_MASK = (1 << 30) - 1


class Trace:
    """A ring of the latest `ROWS` ticks; `next` is the number of the row to come, modulo 2**30."""

    def __init__(self):
        self.next = 0
        self._now_us = array("I", [0] * ROWS)
        self._edge_us = array("I", [0] * ROWS)
        self._meter = array("I", [0] * ROWS)
        self._flow = array("H", [0] * ROWS)
        self._duty = array("H", [0] * ROWS)

    def add(self, now_us, edge_us, meter_count, flow_ul_s, duty_permille):
        """Take one tick. Allocates nothing."""
        at = self.next % ROWS
        self._now_us[at] = now_us
        self._edge_us[at] = edge_us
        self._meter[at] = meter_count
        self._flow[at] = flow_ul_s if flow_ul_s < 65535 else 65535
        self._duty[at] = duty_permille
        self.next = (self.next + 1) & _INDEX_MASK

    def pack_into(self, wanted, most, buffer, offset):
        """Write up to `most` rows from number `wanted` on into `buffer`: (number of the first, how many).

        Rows that are gone already are passed over; so is everything before a number that makes no sense.
        """
        behind = (self.next - wanted) & _INDEX_MASK
        if behind > ROWS:
            behind = ROWS if self.next >= ROWS else self.next
        first = (self.next - behind) & _INDEX_MASK
        rows = behind if behind < most else most
        for k in range(rows):
            at = (first + k) % ROWS
            struct.pack_into(
                ROW_FORMAT,
                buffer,
                offset + k * ROW_BYTES,
                self._now_us[at],
                self._edge_us[at],
                self._meter[at],
                self._flow[at],
                self._duty[at],
            )
        return first, rows
