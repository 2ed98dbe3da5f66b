"""Run by MicroPython: `micropython run_flash_life.py FIRMWARE RECORDS`; one JSON line of costs.

The journal on VfsLfs2 with the board's geometry and a firmware's worth of other
files. Counts erases by block, and what each append costs in flash time, by the
typical times of the data sheet: 45 ms an erase, 0.4 ms a program of 256 bytes.
A read is memory-mapped and counts 1 us and 16 bytes a microsecond (measured on
an emulated board: not to be trusted beyond the order of magnitude).
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
        return self.erases * ERASE_US + self.programs * PROGRAM_US + self.reads + self.read_bytes // 16

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
erases_before = flash.erases
early, late = array.array("I"), array.array("I")
changes = array.array("I")
for n in range(wanted):
    spent, changed = flash.spent_us(), flash.changes()
    records.pack_event(slot, records.MARK, 1, 60000 * n, text="a minute more")
    assert journal.append(slot) >= 0, journal.problem
    (early if n < wanted // 10 else late).append(flash.spent_us() - spent)
    changes.append(flash.changes() - changed)
early, late, changes = sorted(early), sorted(late), sorted(changes)
print(
    json.dumps(
        {
            "records": wanted,
            "segments": journal.segment_last - journal.segment_first + 1,
            "segment_last": journal.segment_last,
            "free_blocks": os.statvfs("/f")[3],
            "erases": flash.erases - erases_before,
            "wear_max": max(flash.wear),
            "changes_median": middle(changes, 500),
            "changes_worst": changes[-1],
            "early_median_us": middle(early, 500),
            "median_us": middle(late, 500),
            "p99_us": middle(late, 990),
            "worst_us": late[-1],
        }
    )
)
