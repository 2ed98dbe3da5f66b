"""Run by MicroPython: `micropython run_flash_life.py FIRMWARE RECORDS`; one JSON line of costs.

The journal on VfsLfs2 with the board's geometry and a firmware's worth of other
files. Counts erases by block, and what each append costs in flash time, by the
typical times of the data sheet: 45 ms an erase, 0.4 ms a program of 256 bytes.
A read is memory-mapped; with what LittleFS does to each byte it counts 0.36 us
a byte, which fits 1200 appends timed on an emulated board within 1.1 ms (rms).
At the end the log is opened anew, as by a restart: what does it say it holds?
"""

import array
import json
import os
import sys

import vfs

sys.path.insert(0, sys.argv[1])

from skidboard import records  # noqa: E402
from skidboard.journal import Journal  # noqa: E402

BLOCK = 4096
BLOCKS = 352
ERASE_US = 45000
PROGRAM_US = 400


class Flash:
    """A block device in RAM that counts."""

    def __init__(self):
        self.data = bytearray(BLOCKS * BLOCK)
        self.wear = array.array("I", [0] * BLOCKS)
        self.programs = 0
        self.reads = 0
        self.read_bytes = 0
        self.erases = 0

    def readblocks(self, block, buf, offset=0):
        self.reads += 1
        self.read_bytes += len(buf)
        at = block * BLOCK + offset
        buf[:] = memoryview(self.data)[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=0):
        self.programs += (len(buf) + 255) // 256
        at = block * BLOCK + offset
        self.data[at : at + len(buf)] = buf

    def ioctl(self, op, arg):
        if op == 4:
            return BLOCKS
        if op == 5:
            return BLOCK
        if op == 6:
            self.erases += 1
            self.wear[arg] += 1
        return 0

    def spent_us(self):
        return self.erases * ERASE_US + self.programs * PROGRAM_US + self.read_bytes * 9 // 25

    def changes(self):
        return self.erases + self.programs


def middle(values, permille):
    """The value below which `permille` thousandths of the sorted values lie."""
    return values[min(len(values) - 1, len(values) * permille // 1000)]


flash = Flash()
vfs.VfsLfs2.mkfs(flash, progsize=256, readsize=32, lookahead=32)
vfs.mount(vfs.VfsLfs2(flash, progsize=256, readsize=32, lookahead=32), "/f")
os.mkdir("/f/skidboard")
for path in os.listdir(sys.argv[1] + "/skidboard"):
    if path.endswith(".py"):
        with open(sys.argv[1] + "/skidboard/" + path, "rb") as f:
            source = f.read()
        with open("/f/skidboard/" + path, "wb") as f:
            f.write(source)

wanted = int(sys.argv[2])
slot = bytearray(records.RECORD_BYTES)
journal = Journal("/f/log", b"\x01\x02\x03\x04\x05\x06\x07\x08", lambda: 7)
journal.open()
early, late = array.array("I"), array.array("I")
changes, reads = array.array("I"), array.array("I")
held = journal.capacity()
worn_before = array.array("I", flash.wear)
for n in range(wanted):
    spent, changed, read = flash.spent_us(), flash.changes(), flash.reads
    records.pack_event(slot, records.MARK, 1, 60000 * n, text="a minute more")
    assert journal.append(slot) >= 0, journal.problem
    (early if n < wanted // 10 else late).append(flash.spent_us() - spent)
    changes.append(flash.changes() - changed)
    reads.append(flash.reads - read)
early, late, changes, reads = sorted(early), sorted(late), sorted(changes), sorted(reads)
segments = journal.segment_last - journal.segment_first + 1
wear = [flash.wear[i] - worn_before[i] for i in range(BLOCKS)]
again = Journal("/f/log", b"\x01\x02\x03\x04\x05\x06\x07\x08", lambda: 7)
again.open()
first = again.segment_first
records.pack_event(slot, records.MARK, 2, 0, text="after a restart")
for _ in range(records.SLOTS + 1):
    assert again.append(slot) >= 0, again.problem
print(
    json.dumps(
        {
            "records": wanted,
            "segments": segments,
            "said": held,
            "said_again": again.capacity(),
            "reclaimed_by_restart": again.segment_first - first - (again.segment_last - journal.segment_last),
            "segment_last": journal.segment_last,
            "free_blocks": again._room.free_blocks(),
            "erases": sum(wear),
            "wear_max": max(wear),
            "changes_median": middle(changes, 500),
            "changes_worst": changes[-1],
            "early_median_us": middle(early, 500),
            "median_us": middle(late, 500),
            "p99_us": middle(late, 990),
            "worst_us": max(early[-1], late[-1]),
            "reads_median": middle(reads, 500),
            "reads_worst": reads[-1],
        }
    )
)
