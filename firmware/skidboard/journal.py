"""The log on flash: append, seal, rotate, reclaim, recover.

A segment is one file of at most 4096 bytes, so one flash block. The file
system acts on `flush`: after it a record is there whole, or not at all. What
was stored is never altered: damage found at the end of the log is left as it
is, and a new segment begins behind it with numbers beyond all that the damaged
one can have used, and beyond all that `end_note` knows to have been stored. So no
number ever stands for two records, and a log whose end was lost says so.

Nothing here formats, and no failure of the storage raises out of `append`.
"""

import struct

from skidboard import records
from skidboard.digest import Digest
from skidboard.end_note import EndNote
from skidboard.recovery import examine, first_of_log, number_from_before
from skidboard.segments import Folder
from skidboard.storage import Storage

HEADER_BYTES = records.HEADER_BYTES
RECORD_BYTES = records.RECORD_BYTES
SEGMENT_BYTES = records.SEGMENT_BYTES
LEAST_SEGMENTS = 2
# Records from one look to the next whether a full storage has room again.
_LOOK_AGAIN = 4
# Records from one writing of the folders' names to the next.
_WRITE_NAMES = 4
_ENOSPC = 28


class Journal:
    """One log of one device in `log_dir`.

    `random_u32` gives the id of a new log; `key` (bytes) turns the digest
    chain into an HMAC. Call `open()` before anything else. To be read:
    `log`, `segment_first`, `segment_last`, `open_bytes` (of the last segment),
    `next_seq`, `stored_seq` (records below it are safe on a host), `problem`
    (one line, or None while the storage works), `notice` (one line while it works but is full, or the log
    or its end was gone; the latter until a host comes), `lost` (records that could not be
    stored since boot), `keyed` (the chain is an HMAC), `overwrote` (records reclaimed since boot that no
    host held). `segments_max` may be changed at any time.
    """

    def __init__(self, log_dir, device, random_u32, segments_max=280, key=None):
        self.segments_max = segments_max
        self.problem = None
        self.notice = None
        self.lost = 0
        self.overwrote = 0
        self.log = 0
        self.segment_first = 1
        self.segment_last = 0
        self.first_seq = 0
        self.next_seq = 0
        self.open_bytes = 0
        self.stored_seq = 0
        self._folder = Folder(log_dir, device)
        self._room = Storage(log_dir, self._folder)
        self._end = EndNote(log_dir)
        self._device = device
        self._random_u32 = random_u32
        self._digest = Digest(key)
        self._mac = Digest(key)
        self.keyed = key is not None
        self._file = None
        self._ready = False
        self._sealed = True  # the next append begins a segment
        self._tight = False
        self._gone = None  # what was found to be missing, until a host comes
        self._lost_from = -1  # where the numbers begin of an end that is lost, -1 when none is
        self._beyond = 0  # no new segment has this number or a lower one
        self._count = 0
        self._damaged_bytes = -1  # of the last segment, -1 when it is sound
        self._last_boot = 0
        self._slot = bytearray(RECORD_BYTES)
        self._header = bytearray(HEADER_BYTES)

    # -- opening and recovery ---------------------------------------------------------------------

    def open(self):
        """Find the log, check its last segment, finish what was interrupted; return the number of this boot.

        When the storage cannot be used, `problem` says why, and each append tries again.
        """
        try:
            self._recover()
        except OSError as error:
            self._fail(error)
        return (self._last_boot + 1) & 0xFFFF

    def _recover(self):
        folder = self._folder
        self._close_file()
        self._ready = False
        first, last, count = folder.scan()
        if count and folder.size(last) == 0:
            # A cut between making the file and its first flush: the segment never began.
            folder.remove(last)
            first, last, count = folder.scan()
        self.segment_first, self.segment_last, self._count = first, last, count
        self._sealed = True
        self._damaged_bytes = -1
        self._lost_from = -1
        self._beyond = 0
        end = self._end
        end.read()
        end.make_place()
        if count == 0 or not self._resume(first, last):
            self._new_log()
        elif end.log == self.log and (end.next_seq > self.next_seq or end.segment > last):
            self._lose_end()
        self._sealed = self._sealed or self._tight
        self._measure_room()
        self.stored_seq = min(end.stored_seq, self.next_seq) if end.log == self.log else 0
        self._ready = True
        self._tight = False
        self.problem = None

    def _measure_room(self):
        self._room.measure(self._count)
        self._note()

    def _note(self):
        self.notice = None
        if not self._room.spare:
            self.notice = "storage: full, only the newest segments are kept"
        else:
            self.notice = self._gone

    def _resume(self, first, last):
        """Take up the log where its last segment ends; False when nothing of it can be recognised."""
        folder = self._folder
        tail = examine(folder, last, self._digest, self._header, self._slot)
        known = tail.ours or number_from_before(folder, last, tail, self._header)
        self.log = tail.log
        self.first_seq = tail.first_seq
        self.next_seq = tail.next_seq
        self.open_bytes = tail.size
        self._last_boot = tail.boot
        if tail.damaged or not tail.ours:
            self._damaged_bytes = tail.size
        else:
            self._sealed = tail.size >= SEGMENT_BYTES
        if known:
            self.segment_first = first_of_log(folder, first, last, tail.log, self._header)
            self._count -= self.segment_first - first
            while self.segment_first <= tail.reclaimed and self.segment_first < last:
                self._remove_first()
        return known

    def _lose_end(self):
        """What was stored last is not there: go on behind it.

        One segment number is left out besides: the digest in the next header would be that of the last
        segment as it is now, and a host may hold more of it.
        """
        end = self._end
        if (end.boot - self._last_boot) & 0xFFFF < 0x8000:
            self._last_boot = end.boot
        self._lost_from = self.next_seq
        self._damaged_bytes = self.open_bytes
        self._beyond = max(self.segment_last, end.segment) + 1
        self.next_seq = max(self.next_seq, end.next_seq)
        self._sealed = True
        self._gone = "storage: the end of the log was lost"

    def _new_log(self):
        if self.next_seq or self._end.log:
            self._gone = "storage: the log was gone, a new one has begun"
        self.log = self._random_u32() or 1
        self.segment_first = self.segment_last + 1
        self._count = 0
        self.next_seq = self.first_seq = 0
        self._digest.forget()

    def capacity(self):
        """How many segments the log holds before the oldest goes: as set, or as many as there is room for."""
        return max(LEAST_SEGMENTS, min(self._room.segments, self.segments_max))

    # -- appending --------------------------------------------------------------------------------

    def append(self, slot):
        """Store a packed record (bytearray of 144): fills in sequence number and CRC, writes, flushes.

        Returns the sequence number, or -1 when it could not be stored; `problem` then says why.
        """
        problem = None
        for _ in range(2):
            seq = -1
            try:
                if not self._ready:
                    self._recover()
                if self._sealed:
                    self._rotate(slot)
                seq = self.next_seq
                self._put(slot)
                if not self._room.spare and seq % _LOOK_AGAIN == 0:
                    self._measure_room()
                return seq
            except OSError as error:
                self._fail(error)
                problem = self.problem
                if seq >= 0 and self._was_stored(seq, slot):
                    return seq
        # What can be read but not written passes for good when it is looked at again: it is not.
        self._ready = False
        self.problem = problem
        self.lost += 1
        return -1

    def _put(self, slot):
        if self._file is None:
            self._file = open(self._folder.path(self.segment_last), "ab")
        records.seal_record(slot, self.next_seq)
        self._file.write(slot)
        self._file.flush()
        self._digest.add(slot, RECORD_BYTES)
        self.next_seq += 1
        self._last_boot = slot[2] | slot[3] << 8
        self._write_note()
        if self.next_seq % _WRITE_NAMES == 0:
            self._folder.write_names_anew()
        self.open_bytes += RECORD_BYTES
        self._sealed = self.open_bytes >= SEGMENT_BYTES

    def _rotate(self, like):
        """Begin the next segment. What has to go is written down in it before it is removed.

        Its own records take boot and uptime from the record `like` that is about to follow.
        """
        self._close_file()
        number = max(self.segment_last, self._beyond) + 1
        reclaim = max(0, min(self._count - self.capacity() + 1, 2, self._count - 1))
        previous = self._digest.finish(self.open_bytes)
        boot, uptime_ms = struct.unpack_from("<H4xQ", like, 2)
        records.pack_header(
            self._header, boot, self._device, self.log, number, self.next_seq, previous, self._digest.kind
        )
        self._ready = False  # until the file is there in full
        f = self._file = self._folder.create(number)
        f.write(self._header)
        self._digest.begin(self._header, HEADER_BYTES)
        seq = self.next_seq
        overwrote = 0
        if self._damaged_bytes >= 0:
            first = self._lost_from
            records.pack_event(self._slot, records.RECOVERED, boot, uptime_ms, a=self.segment_last,
                               b=self._damaged_bytes, c=max(0, first), d=seq if first >= 0 else 0,
                               text=("damaged segment left as found" if first < 0 else "end of the log lost"),
                               )  # fmt: skip
            seq = self._write_own(f, seq)
        victim = self.segment_first
        for _ in range(reclaim):
            low, high = self._folder.sequence_range(victim)
            held = low <= high < self.stored_seq
            known = low <= high
            records.pack_event(self._slot, records.RECLAIM, boot, uptime_ms, a=victim, b=low if known else 0,
                               c=high, d=1 if held else 0)  # fmt: skip
            seq = self._write_own(f, seq)
            if not held:
                overwrote += high + 1 - max(low, self.stored_seq) if known else records.SLOTS
            victim = self._folder.next_after(victim)
        f.flush()
        self._ready = True
        self._damaged_bytes = self._lost_from = -1
        self.segment_last = number
        self._count += 1
        self.first_seq = self.next_seq
        self.open_bytes = HEADER_BYTES + RECORD_BYTES * (seq - self.next_seq)
        self.next_seq = seq
        self._sealed = False
        self.overwrote += overwrote
        for _ in range(reclaim):
            self._remove_first()

    def _remove_first(self):
        following = self._folder.next_after(self.segment_first)
        self._folder.remove_to(self.segment_first, following)
        self.segment_first = following
        self._count -= 1

    def _write_own(self, f, seq):
        records.seal_record(self._slot, seq)
        f.write(self._slot)
        self._digest.add(self._slot, RECORD_BYTES)
        return seq + 1

    def _was_stored(self, seq, slot):
        """After an append that failed: whether the record reached the flash all the same."""
        try:
            self._recover()
            if self.next_seq != seq + 1 or self.open_bytes < HEADER_BYTES + RECORD_BYTES:
                return False
            n = self.read_into(self.segment_last, self.open_bytes - RECORD_BYTES, self._slot)[0]
            return n == RECORD_BYTES and self._slot == slot
        except OSError as error:
            self._fail(error)
            return False

    def _fail(self, error):
        self._close_file()
        self._ready = False
        code = error.args[0] if error.args else 0
        if code == _ENOSPC:
            # A new segment starts within the folder's own blocks, and the spare gives two more:
            # enough to write down what is reclaimed before it goes.
            self.problem = "storage: full"
            self._tight = True
            self._room.drop_spare()
        else:
            self.problem = "storage: error %s" % code

    def _close_file(self):
        self._end.close()
        f = self._file
        self._file = None
        if f is not None:
            try:
                f.close()
            except OSError:
                pass

    # -- for the link -----------------------------------------------------------------------------

    def read_into(self, segment, offset, buf):
        """Read stored bytes of a segment into `buf`: (bytes read, bytes it holds now, 1 when sealed).

        (0, 0, 1) for a segment that is not there. Raises OSError when it cannot be read.
        """
        if not self.segment_first <= segment <= self.segment_last:
            return 0, 0, 1
        is_last = segment == self.segment_last
        n, total = self._folder.read_into(segment, offset, buf, self.open_bytes if is_last else -1)
        return n, total, 0 if total and is_last and not self._sealed else 1

    def seal(self, segment, covered, nonce, boot, uptime_ms, buf):
        """Put a seal over the first `covered` bytes of a segment at the start of `buf`: head, then MAC.

        False without a key, or when the segment has no so many bytes. `buf` has room for the seal and for
        those bytes after it. Raises OSError when they cannot be read.
        """
        head = records.SEAL_HEAD_BYTES
        body = memoryview(buf)[records.SEAL_BYTES : records.SEAL_BYTES + covered]
        if not self.keyed or not covered or self.read_into(segment, 0, body)[0] != covered:
            return False
        struct.pack_into(records.SEAL_FORMAT, buf, 0, records.SEAL_LABEL, self._device, self.log, segment,
                         covered, boot, self.next_seq, uptime_ms, nonce)  # fmt: skip
        self._mac.begin(buf, head)
        self._mac.add(body, covered)
        # Nothing is padded here: the length is under the MAC.
        buf[head : records.SEAL_BYTES] = self._mac.finish(SEGMENT_BYTES)
        return True

    def _write_note(self):
        self._end.write(self.log, self.next_seq, self.segment_last, self._last_boot, self.stored_seq)

    def set_stored(self, seq):
        """A host holds all records below `seq`; remembered across boots as far as the storage allows."""
        seq = min(seq, self.next_seq)
        if self._gone:
            self._gone = None
            self._note()
        if seq > self.stored_seq:
            self.stored_seq = seq
            if self._ready and self._lost_from < 0:
                self._write_note()
