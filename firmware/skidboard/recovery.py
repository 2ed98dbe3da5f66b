"""What is found at the end of a log when it is opened: reads, judges, alters nothing."""

import struct

from skidboard import records

_LOOK_BACK = 16
_A_AT = 28  # of the field `a` in an event record


class Tail:
    """The last segment of a log as `examine` found it.

    `ours` (its header is good and of this device), `log`, `first_seq`, `size`
    (bytes), `damaged` (slots that hold no good record), `boot` (highest boot
    number that may have been used), `next_seq`, `reclaimed` (highest segment
    that a record in it names as reclaimed, 0 for none).
    """

    def __init__(self):
        self.ours = False
        self.log = 0
        self.first_seq = 0
        self.size = 0
        self.damaged = 0
        self.boot = 0
        self.next_seq = 0
        self.reclaimed = 0

    def take_header(self, header):
        """Take log, boot and first number from a good header."""
        self.boot, _, self.log, _, self.first_seq = struct.unpack_from("<H8sIII", header, 6)


def examine(folder, number, digest, header, slot):
    """Read segment `number` once, feeding `digest`, into a Tail; `header` and `slot` are work buffers."""
    tail = Tail()
    try:
        with open(folder.path(number), "rb") as f:
            tail.size = n = f.readinto(header)
            digest.begin(header, n)
            tail.ours = n == records.HEADER_BYTES and folder.header_ours(header, number)
            if tail.ours:
                tail.take_header(header)
            while n and tail.size < records.SEGMENT_BYTES:
                n = f.readinto(slot)
                tail.size += n
                digest.add(slot, n)
                if n == records.RECORD_BYTES and records.record_ok(slot):
                    _take_record(tail, slot)
                elif n:
                    tail.damaged += 1
    except OSError:
        # Unreadable: nothing is known of it but that it may have been full.
        tail.size = records.SEGMENT_BYTES
        tail.damaged = records.SLOTS
        digest.forget()
    slots = (tail.size - records.HEADER_BYTES + records.RECORD_BYTES - 1) // records.RECORD_BYTES
    tail.next_seq = tail.first_seq + slots
    tail.boot += tail.damaged
    return tail


def _take_record(tail, slot):
    if tail.ours:
        tail.boot = struct.unpack_from("<H", slot, 2)[0]
        if slot[0] == records.RECLAIM:
            tail.reclaimed = max(tail.reclaimed, struct.unpack_from("<I", slot, _A_AT)[0])


def number_from_before(folder, number, tail, header):
    """Give `tail` the log and safe numbers from a segment before `number`; False when no good one is near."""
    for back in range(1, _LOOK_BACK + 1):
        if number - back >= 0 and folder.read_header(number - back, header):
            tail.take_header(header)
            # No segment uses more than 28 numbers, nor boots; the gap shows what may be missing.
            most = records.SLOTS * (back + 1)
            tail.next_seq = tail.first_seq + most
            tail.boot += most
            return True
    return False


def first_of_log(folder, low, high, log, header):
    """The lowest segment of `log` between `low` and `high` (which is of it), found by halving.

    A damaged segment counts as one of this log.
    """
    if not folder.of_another(low, log, header):
        return low
    while low < high:
        middle = (low + high) // 2
        if folder.of_another(middle, log, header):
            low = middle + 1
        else:
            high = middle
    return low
