"""Run by MicroPython: `micropython run_power_cuts.py FIRMWARE TESTS VARIANT STEP [SEED]`; prints JSON.

The journal runs once on VfsLfs2 over a block device that keeps a list of all
erases and programs, and notes after each what the journal had acknowledged.
Then, for every STEP-th operation, power is cut in it: the flash as it was
before, the operation done in part (VARIANT: clean, torn, or again), and a new
boot on that. `again` cuts the power once more during the recovery. Every cut
is made on a copy of the flash and never by an exception out of LittleFS: it
would leave pointers to its stack behind, and crash.
"""

import gc
import json
import os
import sys

import vfs

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])

import log_folder  # noqa: E402
from log_folder import check_chain, field, good_records, segment_numbers, segment_path  # noqa: E402
from skidboard import records, segments  # noqa: E402
from skidboard.journal import Journal  # noqa: E402

BLOCK = 4096
BLOCKS = 44
SEGMENTS_MAX = 6
RECORDS = 300
DEVICE = b"\x01\x02\x03\x04\x05\x06\x07\x08"
FOLDER = "/cut/log"
# Two segments to a folder, so that making and removing folders is cut often, on a full storage too.
segments.FOLDER_BITS = log_folder.FOLDER_BITS = 1
variant = sys.argv[3]
step = int(sys.argv[4])
state = int(sys.argv[5]) if len(sys.argv) > 5 else 1


def dice(n):
    """A number below n from a linear congruential generator ("Numerical Recipes")."""
    global state
    state = (1664525 * state + 1013904223) & 0xFFFFFFFF
    return (state >> 8) % n


class Flash:
    """4096-byte blocks in RAM; keeps what is done to it when told to."""

    def __init__(self, data, keep=False):
        self.data = data
        self.kept = [] if keep else None

    def readblocks(self, block, buf, offset=0):
        at = block * BLOCK + offset
        buf[:] = memoryview(self.data)[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=0):
        self._operation(block * BLOCK + offset, bytes(buf))

    def ioctl(self, op, arg):
        if op == 4:
            return len(self.data) // BLOCK
        if op == 5:
            return BLOCK
        if op == 6:
            self._operation(arg * BLOCK, None)
        return 0

    def _operation(self, at, program):
        if self.kept is not None:
            self.kept.append((at, program, len(acknowledged), journal.stored_seq if journal else 0))
        do(self.data, at, program)


def do(data, at, program):
    """One whole operation: a program, or the erase of a block."""
    if program is None:
        data[at : at + BLOCK] = ERASED
    else:
        data[at : at + len(program)] = program


def do_in_part(data, at, program):
    """What a cut leaves: nothing (clean), the first bytes of a program, or half an erase with noise in it."""
    if variant == "clean":
        return
    count_in_part["programs torn" if program else "erases half done"] += 1
    if program is None:
        n = dice(BLOCK + 1)
        data[at : at + n] = ERASED[:n]
        for _ in range(8):
            data[at + dice(BLOCK)] |= dice(256)
    else:
        n = dice(len(program))
        data[at : at + n] = program[:n]
        # The byte in which it happened has only some of its bits programmed.
        data[at + n] &= program[n] | dice(256)


ERASED = b"\xff" * BLOCK
count_in_part = {"programs torn": 0, "erases half done": 0, "second cuts": 0}
opened = []  # journals whose files may be open
acknowledged = []  # the CRC of every record whose append has returned, by sequence number
journal = None
slot = bytearray(records.RECORD_BYTES)


def mount(flash):
    vfs.mount(vfs.VfsLfs2(flash, progsize=256, readsize=32, lookahead=32), "/cut")


def unmount():
    # A file that the collector closes after its file system is gone can take MicroPython along.
    while opened:
        opened.pop()._close_file()
    try:
        vfs.umount("/cut")
    except OSError:
        pass


def boot(seq_of_log):
    made = Journal(FOLDER, DEVICE, lambda: seq_of_log, SEGMENTS_MAX)
    opened.append(made)
    made.number = made.open()
    return made


def mark(made):
    records.pack_event(slot, records.MARK, made.number, 1000, a=made.next_seq, text="record")
    return made.append(slot)


def workload(flash):
    """Three boots, rotation, contacts, reclaiming; then the file system filled up and the log going on."""
    global journal
    done = 0
    for boot_records in (75, 100, RECORDS - 175):
        mount(flash)
        journal = boot(0x10C0)
        for _ in range(boot_records):
            before = journal.next_seq
            seq = mark(journal)
            assert seq >= before, journal.problem
            for own in range(before, seq):
                acknowledged.append((own, None))  # the journal's own records, in front of it
            acknowledged.append((seq, bytes(slot[-4:])))
            done += 1
            if done == 140:
                journal.set_stored(journal.next_seq - 5)
            if done == RECORDS - 60:
                fill()
        unmount()
    return done


def fill():
    """Take all the free space for a file of someone else's."""
    with open("/cut/filler", "wb") as f:
        try:
            while True:
                f.write(ERASED[:1024])
                f.flush()
        except OSError:
            pass


def check(known, stored_seq):
    """Assert the invariants on the mounted file system, for `known` acknowledged records; records found."""
    found = good_records(FOLDER) if "log" in os.listdir("/cut") else []
    seqs = [seq for _, seq, _ in found]
    # 2. A prefix of what was written, each record once, and no number left out inside.
    assert seqs == list(range(seqs[0], seqs[0] + len(seqs))) if seqs else not known, seqs[:3]
    # 1. Everything acknowledged is there, unless it was reclaimed; and it is what was written.
    by_seq = {seq: record for _, seq, record in found}
    first = seqs[0] if seqs else 0
    for seq, crc in acknowledged[:known]:
        if seq >= first:
            assert seq in by_seq, "acknowledged %d is gone" % seq
            assert crc is None or by_seq[seq][-4:] == crc, "acknowledged %d is another" % seq
    # Nothing beyond what was acknowledged but the one append under way (with the journal's own records).
    assert not seqs or seqs[-1] <= (acknowledged[known - 1][0] if known else -1) + 4, "invented"
    # 3. What was reclaimed was said to be before it went.
    if first:
        named = [record for _, _, record in found if field(record, "kind") == records.RECLAIM]
        assert named and max([field(record, "c") for record in named]) + 1 >= first, "went unnamed"
        for record in named:
            assert field(record, "d") == 0 or field(record, "c") < stored_seq
    # 4. Every segment is chained to the one before.
    numbers = segment_numbers(FOLDER) if found else []
    if numbers:
        last = segment_path(FOLDER, numbers[-1])
        if os.stat(last)[6] == 0:
            os.remove(last)
        check_chain(FOLDER)
    return len(seqs)


def after_cut(data, known, stored_seq):
    """Boot on `data`, check, append across a rotation, boot and check again; records found."""
    if variant == "again":
        trial = Flash(bytearray(data), keep=True)
        mount(trial)
        made = boot(0xBAD)
        for _ in range(2):
            mark(made)
        unmount()
        # A cut in one of its first operations, or after the last if there are fewer.
        die_at = dice(12)
        for at, program, _, _ in trial.kept[:die_at]:
            do(data, at, program)
        for at, program, _, _ in trial.kept[die_at : die_at + 1]:
            do_in_part(data, at, program)
            count_in_part["second cuts"] += 1
    flash = Flash(data)
    mount(flash)
    made = boot(0xBAD)
    assert made.problem is None, made.problem
    if known:
        assert made.log == 0x10C0
        named = [r for _, _, r in good_records(FOLDER) if field(r, "kind") == records.RECLAIM]
        gone = max([field(record, "a") for record in named] + [0])
        assert segment_numbers(FOLDER)[0] > gone, "reclaim not finished by the boot"
    before = made.next_seq
    for _ in range(30):
        assert mark(made) >= before, made.problem
    unmount()
    mount(flash)
    found = check_again(known, stored_seq)
    unmount()
    return found


def check_again(known, stored_seq):
    global acknowledged
    kept = acknowledged
    # The appends after the cut may have taken numbers that were under way at the cut.
    acknowledged = kept[:known]
    made = boot(0xBAD)
    limit = made.next_seq
    found = good_records(FOLDER)
    seqs = [seq for _, seq, _ in found]
    assert seqs == list(range(seqs[0], limit)), "after the cut"
    by_seq = {seq: record for _, seq, record in found}
    for seq, crc in acknowledged:
        if seq >= seqs[0]:
            assert crc is None or by_seq[seq][-4:] == crc, "acknowledged %d is another" % seq
    if seqs[0]:
        named = [record for _, _, record in found if field(record, "kind") == records.RECLAIM]
        assert named and max([field(record, "c") for record in named]) + 1 >= seqs[0], "went unnamed"
    check_chain(FOLDER)
    acknowledged = kept
    return len(seqs)


def main():
    global journal
    image = bytearray(BLOCKS * BLOCK)
    for i in range(BLOCKS):
        image[i * BLOCK : (i + 1) * BLOCK] = ERASED
    flash = Flash(image)
    vfs.VfsLfs2.mkfs(flash, progsize=256, readsize=32, lookahead=32)
    start = bytearray(image)
    flash = Flash(image, keep=True)
    done = workload(flash)
    overwrote, stored, last = journal.overwrote, journal.stored_seq, journal.segment_last
    kept = flash.kept
    journal = None
    mount(Flash(image))
    check(len(acknowledged), stored)
    unmount()
    cuts = found = 0
    for n, (at, program, known, stored_seq) in enumerate(kept):
        if n % step == 0:
            data = bytearray(start)
            do_in_part(data, at, program)
            flash = Flash(bytearray(data))
            mount(flash)
            try:
                check(known, stored_seq)
            except AssertionError as error:
                raise AssertionError("cut at operation %d: %s" % (n, error)) from None
            unmount()
            try:
                found += after_cut(data, known, stored_seq)
            except AssertionError as error:
                raise AssertionError("boot after a cut at operation %d: %s" % (n, error)) from None
            cuts += 1
            gc.collect()
        do(start, at, program)
    print(
        json.dumps(
            {
                "variant": variant,
                "operations": len(kept),
                "cuts": cuts,
                "appended": done,
                "acknowledged": len(acknowledged),
                "overwrote": overwrote,
                "stored_seq": stored,
                "segment_last": last,
                "records_found": found,
                "in_part": count_in_part,
            }
        )
    )


main()
