"""Run by MicroPython: `run_flash_flips.py FIRMWARE TESTS STEP [SEED]`; prints JSON.

The journal runs on VfsLfs2 over blocks in RAM until power is off, at several lengths of the log. Then one bit
flips, in every STEP-th byte of all blocks in use one after the other, those of the file system itself among
them; the board starts on that, goes on, and everything there is is read.
"""

import gc
import json
import struct
import sys

import vfs

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])

import log_folder  # noqa: E402
from log_folder import field, segment_bytes, segment_numbers  # noqa: E402
from skidboard import records, segments  # noqa: E402
from skidboard.journal import Journal  # noqa: E402

BLOCK = 4096
BLOCKS = 40
SEGMENTS_MAX = 6
LENGTHS = (3, 40, 100, 161)  # records in two boots; the last with segments reclaimed
LOG, NEW_LOG = 0x10C0, 0xBAD
DEVICE = b"\x01\x02\x03\x04\x05\x06\x07\x08"
ROOT = "/cut"
FOLDER = ROOT + "/log"
# Two segments to a folder, so that several folders' own blocks are in use.
segments.FOLDER_BITS = log_folder.FOLDER_BITS = 1
step = int(sys.argv[3])
state = int(sys.argv[4]) if len(sys.argv) > 4 else 1
ERASED = b"\xff" * BLOCK
slot = bytearray(records.RECORD_BYTES)


def dice(n):
    """A number below n from a linear congruential generator ("Numerical Recipes")."""
    global state
    state = (1664525 * state + 1013904223) & 0xFFFFFFFF
    return (state >> 8) % n


class Flash:
    """4096-byte blocks in RAM."""

    def __init__(self, data):
        self.data = data

    def readblocks(self, block, buf, offset=0):
        at = block * BLOCK + offset
        buf[:] = memoryview(self.data)[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=0):
        at = block * BLOCK + offset
        self.data[at : at + len(buf)] = buf

    def ioctl(self, op, arg):
        if op == 4:
            return BLOCKS
        if op == 5:
            return BLOCK
        if op == 6:
            self.data[arg * BLOCK : (arg + 1) * BLOCK] = ERASED
        return 0


OPTIONS = {"progsize": 256, "readsize": 32, "lookahead": 32}


def mount(flash):
    """As the stock boot script does: what cannot be mounted is formatted. Whether it was."""
    try:
        vfs.mount(vfs.VfsLfs2(flash, **OPTIONS), ROOT)
        return False
    except OSError:
        vfs.VfsLfs2.mkfs(flash, **OPTIONS)
        vfs.mount(vfs.VfsLfs2(flash, **OPTIONS), ROOT)
        return True


def start(log):
    made = Journal(FOLDER, DEVICE, lambda: log, SEGMENTS_MAX)
    made.number = made.open()
    return made


def stop(journal):
    journal._close_file()
    vfs.umount(ROOT)


def append(journal, n, into):
    """Append records and note what was acknowledged, the journal's own in front of them too."""
    for _ in range(n):
        before = journal.next_seq
        records.pack_event(slot, records.MARK, journal.number, 1000, a=before, text="record")
        seq = journal.append(slot)
        if seq >= 0:
            for own in range(before, seq):
                into[own] = None
            into[seq] = bytes(slot[-4:])


def image_of(length):
    """(the flash after a log of so many records, what was acknowledged)."""
    image = bytearray(ERASED * BLOCKS)
    acknowledged = {}
    vfs.VfsLfs2.mkfs(Flash(image), **OPTIONS)
    for n in (length // 3, length - length // 3):
        mount(Flash(image))
        journal = start(LOG)
        append(journal, n, acknowledged)
        journal.set_stored(journal.next_seq // 2)
        stop(journal)
    return image, acknowledged


def readable():
    """[(number, record)] as a host takes them: none from a segment whose good header is of another place."""
    found = []
    for number in segment_numbers(FOLDER):
        try:
            raw = segment_bytes(FOLDER, number)
        except OSError:
            continue
        if records.header_ok(raw[:64]) and struct.unpack_from("<II", raw, 16) != (LOG, number):
            continue
        for at in range(64, len(raw) - 143, 144):
            if records.record_ok(raw[at : at + 144]):
                found.append((struct.unpack_from("<I", raw, at + 4)[0], raw[at : at + 144]))
    return found


def read_all():
    """The good records there are, {number: last four bytes}, and what is named as lost from the end.

    A number that is read twice is an error.
    """
    found = {}
    named = []
    for seq, record in readable():
        assert seq not in found, "number %d stands for two records" % seq
        found[seq] = record[-4:]
        if field(record, "kind") == records.RECOVERED:
            named.append((field(record, "c"), field(record, "d"), field(record, "text")))
    return found, named


def trial(image, acknowledged, at, bit, sums):
    data = bytearray(image)
    data[at] ^= 1 << bit
    formatted = mount(Flash(data))
    journal = start(NEW_LOG)
    notice, problem = journal.notice or "", journal.problem
    later = {}
    append(journal, 4, later)
    log = journal.log
    if problem or not later:
        # Nothing can be stored: a fault that stands, and no number is given.
        assert problem and not later
        sums["storage faults said"] += 1
        stop(journal)
        return
    if log != LOG:
        # Another log, so no number of this one can come again; the board says so, unless the format took its
        # note as well. Then the host does, which knows the log.
        assert formatted or "log was gone" in notice, "the log is gone without a word"
        sums["logs gone, formatted" if formatted else "logs gone, said"] += 1
        stop(journal)
        return
    reused = [seq for seq in later if seq in acknowledged]
    sums["numbers reused"] += len(reused)
    found, named = read_all()
    stop(journal)
    for seq, crc in acknowledged.items():
        assert seq not in found or crc is None or found[seq] == crc, "record %d is another" % seq
    for seq, crc in later.items():
        assert seq in found and (crc is None or found[seq] == crc), "record %d, stored after it" % seq
    kept = [seq for seq in acknowledged if seq in found]
    lost = [seq for seq in acknowledged if seq not in found and seq not in REMOVED]
    if not lost:
        sums["nothing lost"] += 1
        return
    sums["records lost"] += len(lost)
    last = max(kept) if kept else -1
    ends = [seq for seq in lost if seq > last]
    # What is missing in the middle shows as a gap. A missing end shows by a record that names it, or that
    # says that the last segment was found damaged; the numbers after it must lie beyond.
    for seq in ends:
        if any([c <= seq < d for c, d, _ in named]):
            sums["of an end, named"] += 1
        elif any([text.startswith("damaged") for _, _, text in named]) and min(later) > seq:
            sums["of a damaged end, said"] += 1
        else:
            sums["lost without a word"] += 1
    sums["in a gap"] += len(lost) - len(ends)
    if min(later) <= max(acknowledged):
        sums["lost without a word"] += 1


REMOVED = set()
sums = {}
for name in (
    "nothing lost", "records lost", "of an end, named", "of a damaged end, said", "in a gap",
    "logs gone, said", "logs gone, formatted", "storage faults said", "numbers reused", "lost without a word",
):  # fmt: skip
    sums[name] = 0
flips = 0
for length in LENGTHS:
    image, acknowledged = image_of(length)
    mount(Flash(image))
    there = {seq for seq, _ in readable()}
    vfs.umount(ROOT)
    REMOVED = {seq for seq in acknowledged if seq not in there}
    assert all([seq < min(there) for seq in REMOVED])
    used = [n for n in range(BLOCKS) if image[n * BLOCK : (n + 1) * BLOCK] != ERASED]
    for n in used:
        for offset in range(dice(step), BLOCK, step):
            bit = dice(8)
            try:
                trial(image, acknowledged, n * BLOCK + offset, bit, sums)
            except AssertionError as error:
                place = "log of %d, block %d byte %d bit %d" % (length, n, offset, bit)
                raise AssertionError("%s: %s" % (place, error)) from None
            flips += 1
            if flips % 20 == 0:
                gc.collect()
print(json.dumps({"flips": flips, "sums": sums}))
