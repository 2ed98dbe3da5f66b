"""The folder of segment files, and the digest that chains them.

A segment's file is named by its number, eight hexadecimal digits and `.seg`,
and lies in a folder for 16 of them, named by the leading seven digits: what
the file system has to sort out at an append grows with the square of the files
in one folder. Beside these lie `stored`, which remembers how much a host holds,
and `spare`, two blocks kept to be given up when the storage is full, so that
there is always room to write down what is about to be reclaimed.
"""

import os
import struct
from binascii import crc32
from hashlib import sha256

from skidboard import records

try:
    from os import ilistdir  # type: ignore[attr-defined]

    ON_LITTLEFS = True
except ImportError:
    ON_LITTLEFS = False

    def ilistdir(path):
        """CPython: the same shape as MicroPython's, name first."""
        return [(name,) for name in os.listdir(path)]


def _number(digits, n):
    """The number that `n` hexadecimal digits make, -1 when they are none."""
    if len(digits) != n:
        return -1
    try:
        return int(digits, 16)
    except ValueError:
        return -1


# Numbers stay small integers on the board.
MAX_SEGMENT = 0x3FFFFFFF
# 2**4 segments to a folder, and the blocks that a folder takes.
FOLDER_BITS = 4
_FOLDER_BLOCKS = 2
_SPARE_BYTES = 8192
_ENOENT = 2
_ENOTDIR = 20
_NO_DIGEST = bytes(records.DIGEST_BYTES)


class Folder:
    """The files of a log in `path`. Methods raise OSError unless they say otherwise."""

    def __init__(self, path, device):
        self.spare = False
        self.folders = 0  # of segments
        self._path = path
        self._device = device

    def _of(self, place):
        return "%s/%07x" % (self._path, place)

    def path(self, number):
        """The path of segment `number`."""
        return "%s/%08x.seg" % (self._of(number >> FOLDER_BITS), number)

    def scan(self):
        """(lowest number, highest number, how many) of the segment files.

        Makes the log's folder if need be, and takes away folders of segments that are empty.
        """
        self.folders = 0
        try:
            places = self._places()
        except OSError as error:
            if error.args[0] != _ENOENT:
                raise
            os.mkdir(self._path)
            return 0, 0, 0
        low = high = count = 0
        for place in places:
            some = self._span(place, -1)
            self.folders += 1
            if some[2] == 0:
                self._remove_folder(place)
                continue
            low = some[0] if count == 0 else min(low, some[0])
            high = max(high, some[1])
            count += some[2]
        return low, high, count

    def next_after(self, number):
        """The lowest segment number above `number` that has a file; `number + 1` when none has."""
        if self.exists(number + 1):
            return number + 1
        for place in sorted(self._places()):
            if place >= number >> FOLDER_BITS:
                low, _, count = self._span(place, number)
                if count:
                    return low
        return number + 1

    def _places(self):
        """The numbers of the folders of segments; other names are nobody's business here."""
        places = [_number(entry[0], 7) for entry in ilistdir(self._path)]
        return [place for place in places if 0 <= place <= MAX_SEGMENT >> FOLDER_BITS]

    def _span(self, place, above):
        """(lowest, highest, how many) of the segments above `above` in one folder."""
        low = high = count = 0
        try:
            for entry in ilistdir(self._of(place)):
                name = entry[0]
                number = _number(name[:8], 8) if len(name) == 12 and name.endswith(".seg") else -1
                if number > above and number >> FOLDER_BITS == place:
                    low = number if count == 0 or number < low else low
                    high = number if number > high else high
                    count += 1
        except OSError as error:
            if error.args[0] != _ENOTDIR:
                raise
        return low, high, count

    def create(self, number):
        """A new, empty file for segment `number`, open for writing; makes its folder if need be."""
        try:
            return open(self.path(number), "wb")
        except OSError as error:
            if error.args[0] != _ENOENT:
                raise
        os.mkdir(self._of(number >> FOLDER_BITS))
        self.folders += 1
        return open(self.path(number), "wb")

    def size(self, number):
        """The size of a segment's file in bytes."""
        return os.stat(self.path(number))[6]

    def exists(self, number):
        """Whether there is a file for segment `number`; never raises."""
        try:
            os.stat(self.path(number))
        except OSError:
            return False
        return True

    def remove(self, number):
        """Remove a segment's file. A file that resists is left to the next boot; never raises."""
        try:
            os.remove(self.path(number))
        except OSError:
            pass

    def remove_to(self, number, following):
        """Remove segment `number`, and its folder if `following`, the next, is elsewhere; never raises."""
        self.remove(number)
        if following >> FOLDER_BITS != number >> FOLDER_BITS:
            self._remove_folder(number >> FOLDER_BITS)

    def _remove_folder(self, place):
        try:
            os.rmdir(self._of(place))
            self.folders -= 1
        except OSError:
            pass

    def read_header(self, number, header):
        """Read a segment's header into `header`; True when it is good and of this device. Never raises."""
        n = 0
        header[0] = 0
        try:
            with open(self.path(number), "rb") as f:
                n = f.readinto(header)
        except OSError:
            pass
        return n == records.HEADER_BYTES and self.header_ours(header, number)

    def header_ours(self, header, number):
        """Whether a header is good, of this device and of segment `number`."""
        return (
            records.header_ok(header)
            and bytes(header[8:16]) == self._device
            and struct.unpack_from("<I", header, 20)[0] == number
        )

    def of_another(self, number, log, header):
        """Whether segment `number` has a good header that names another log or device. Never raises."""
        ours = self.read_header(number, header)
        return records.header_ok(header) and not (ours and struct.unpack_from("<I", header, 16)[0] == log)

    def sequence_range(self, number):
        """(first, last) sequence number a segment's file can hold; (0, 0) when its header is no use."""
        header = bytearray(records.HEADER_BYTES)
        if not self.read_header(number, header):
            return 0, 0
        first = struct.unpack_from("<I", header, 24)[0]
        try:
            size = min(self.size(number), records.SEGMENT_BYTES)
        except OSError:
            size = records.SEGMENT_BYTES
        return first, first + (size - records.HEADER_BYTES) // records.RECORD_BYTES - 1

    def free_blocks(self):
        """Free blocks of 4096 bytes on the file system, at most 2**20."""
        if not hasattr(os, "statvfs"):
            return 1 << 20
        stat = os.statvfs(self._path)
        free = stat[3]
        if free > stat[2]:
            free -= 1 << 32  # below zero, as an unsigned number
        if ON_LITTLEFS:
            # Its count takes each folder's two blocks twice.
            free += _FOLDER_BLOCKS * self.folders
        return max(0, min(stat[1] * free // records.SEGMENT_BYTES, 1 << 20))

    def room(self, count, reserve_blocks):
        """How many segments fit, the `count` of the latest scan among them, with `reserve_blocks` left free.

        Wherever the first of them lies in its folder.
        """
        blocks = count + _FOLDER_BLOCKS * self.folders + self.free_blocks() - reserve_blocks
        each = 1 << FOLDER_BITS
        most = max(0, blocks - _FOLDER_BLOCKS) * each // (each + _FOLDER_BLOCKS)
        while most and most + _FOLDER_BLOCKS * ((most + each - 2) // each + 1) > blocks:
            most -= 1
        return most

    # -- what lies beside the segments ------------------------------------------------------------

    def keep_spare(self, reserve_blocks):
        """Set the spare blocks aside if at least `reserve_blocks` would be left; never raises."""
        path = self._path + "/spare"
        try:
            self.spare = os.stat(path)[6] >= _SPARE_BYTES
        except OSError:
            self.spare = False
        if self.spare:
            return
        try:
            if self.free_blocks() < reserve_blocks + _SPARE_BYTES // records.SEGMENT_BYTES:
                return
            with open(path, "wb") as f:
                part = bytes(256)
                for _ in range(_SPARE_BYTES // 256):
                    f.write(part)
            self.spare = True
        except OSError:
            pass

    def drop_spare(self):
        """Give the spare blocks back; never raises."""
        self.spare = False
        try:
            os.remove(self._path + "/spare")
        except OSError:
            pass

    def read_stored(self, log):
        """The remembered count of records of `log` that a host holds, 0 when unknown; never raises."""
        try:
            with open(self._path + "/stored", "rb") as f:
                raw = f.read(12)
        except OSError:
            return 0
        if len(raw) != 12 or crc32(raw) != records.CRC_CARRY:
            return 0
        found_log, seq = struct.unpack_from("<II", raw)
        return seq if found_log == log else 0

    def write_stored(self, log, seq):
        """Remember that a host holds the records of `log` below `seq`; a cut leaves the old note or this."""
        raw = struct.pack("<II", log, seq)
        with open(self._path + "/stored", "wb") as f:
            f.write(raw + struct.pack("<I", crc32(raw)))


class Digest:
    """SHA-256 of a segment as it grows, padded with 0xFF to 4096 bytes; with a key HMAC (RFC 2104)."""

    def __init__(self, key=None):
        self.kind = records.CHAIN_SHA256 if key is None else records.CHAIN_HMAC
        self._key = None
        if key is not None:
            self._key = ((sha256(key).digest() if len(key) > 64 else key) + bytes(64))[:64]
        self._hash = None

    def _pad_key(self, mask):
        return bytes([byte ^ mask for byte in self._key])

    def forget(self):
        """No segment: `finish` gives zeros."""
        self._hash = None

    def begin(self, header, n):
        """Start over with the first `n` bytes of `header`."""
        self._hash = sha256()
        if self._key is not None:
            self._hash.update(self._pad_key(0x36))
        self.add(header, n)

    def add(self, part, n):
        """Take in the first `n` bytes of `part`."""
        self._hash.update(memoryview(part)[:n])

    def finish(self, size):
        """The digest of the `size` bytes taken in so far, padded. Afterwards only `begin` will do."""
        if self._hash is None:
            return _NO_DIGEST
        part = bytes([records.ERASED]) * 64
        missing = records.SEGMENT_BYTES - size
        while missing > 0:
            self.add(part, min(missing, 64))
            missing -= 64
        digest = self._hash.digest()
        self._hash = None
        if self._key is not None:
            outer = sha256(self._pad_key(0x5C))
            outer.update(digest)
            digest = outer.digest()
        return digest
