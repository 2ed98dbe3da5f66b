"""A note of where the log ends, kept apart from the log, so that an end that is lost is known to be lost.

LittleFS keeps what it knows of a folder in a pair of blocks. When a bit flips in the newer of them, the
folder is again what it was some time before: files end earlier or are gone, and nothing says so. The note
lies in a folder of its own, and is written after each record, before its number is told to anybody. So a
flipped bit sets back the log or the note, and whatever the note names has been stored.
"""

import os
import struct
from binascii import crc32

from skidboard import records, segments

_FORMAT = "<IIIIII"
_BYTES = 24
# Two blocks of 4096 bytes are full of so many entries, each of them at least a page of 256 bytes.
_ENTRIES = 32


class EndNote:
    """The note beside the log in `path`. No method raises.

    To be read: `log`, `next_seq`, `segment` and `boot` of the last record noted, `stored_seq` (records below
    it are on a host); all 0 where there is no good note.
    """

    def __init__(self, path):
        self.log = self.next_seq = self.segment = self.boot = self.stored_seq = 0
        self._folder = path + ".end"
        self._file = None
        self._raw = bytearray(_BYTES)

    def read(self):
        """Take in what was noted."""
        self.close()
        self.log = self.next_seq = self.segment = self.boot = self.stored_seq = 0
        try:
            with open(self._folder + "/note", "rb") as f:
                if f.readinto(self._raw) == _BYTES and crc32(self._raw) == records.CRC_CARRY:
                    self._take()
        except OSError:
            pass

    def _take(self):
        self.log, self.next_seq, self.segment, self.boot, self.stored_seq, _ = struct.unpack(
            _FORMAT, self._raw
        )

    def write(self, log, next_seq, segment, boot, stored_seq):
        """Note it; a cut leaves the old note or this one. Where it cannot be written the old one stands."""
        raw = self._raw
        struct.pack_into(_FORMAT, raw, 0, log, next_seq, segment, boot, stored_seq, 0)
        struct.pack_into("<I", raw, _BYTES - 4, crc32(memoryview(raw)[: _BYTES - 4]))
        try:
            if self._file is None:
                self._file = open(self._folder + "/note", "wb")
            self._file.seek(0)
            self._file.write(raw)
            self._file.flush()
        except OSError:
            self.close()

    def make_place(self):
        """Make the note's folder if need be."""
        try:
            os.mkdir(self._folder)
            if segments.ON_LITTLEFS:
                # Both blocks that may say which folders there are must know of the log and of this one.
                for _ in range(_ENTRIES):
                    segments.touch(self._folder + ".new")
                os.remove(self._folder + ".new")
        except OSError:
            pass

    def close(self):
        """Let go of the file."""
        f = self._file
        self._file = None
        if f is not None:
            try:
                f.close()
            except OSError:
                pass
