"""The folder of segment files.

A segment's file is named by its number, eight hexadecimal digits and `.seg`,
and lies in a folder for 16 of them, named by the leading seven digits: what
the file system has to sort out at an append grows with the square of the files
in one folder.
"""

import os
import struct

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
# 2**4 segments to a folder.
FOLDER_BITS = 4
_ENOENT = 2
_ENOTDIR = 20


class Folder:
    """The files of a log in `path`. Methods raise OSError unless they say otherwise."""

    def __init__(self, path, device):
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
        """The numbers of the folders of segments; other names are not read."""
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
        """(first, last) sequence number a segment's file can hold; (1, 0) when nobody can tell.

        Where its header is no use, that of the next segment tells what came before it.
        """
        header = bytearray(records.HEADER_BYTES)
        try:
            size = min(self.size(number), records.SEGMENT_BYTES)
        except OSError:
            size = records.SEGMENT_BYTES
        slots = max(0, size - records.HEADER_BYTES) // records.RECORD_BYTES
        if self.read_header(number, header):
            first = struct.unpack_from("<I", header, 24)[0]
            return first, first + slots - 1
        if slots and self.read_header(self.next_after(number), header):
            after = struct.unpack_from("<I", header, 24)[0]
            return max(0, after - slots), after - 1
        return 1, 0

    def read_into(self, number, offset, buf, total):
        """Read bytes of segment `number` into `buf`: (bytes read, bytes it holds).

        `total` is how many it holds, or -1 when its file says so; nothing at all of a segment without a file.
        """
        try:
            f = open(self.path(number), "rb")
        except OSError as error:
            if error.args[0] != _ENOENT:
                raise
            return 0, 0
        with f:
            if total < 0:
                total = min(f.seek(0, 2), records.SEGMENT_BYTES)
            n = 0
            if offset < total:
                f.seek(offset)
                n = f.readinto(memoryview(buf)[: min(len(buf), total - offset)])
        return n, total

    def write_names_anew(self):
        """Have the file system write down once more which folders there are; never raises.

        It does so in one of two blocks, over to the other when that is full. While only one knows of a
        folder, a flipped bit in it takes the folder away, with all that is in it.
        """
        touch(self._path + "/names")


def touch(path):
    """Write a file of one byte anew, one entry more in the block of its folder; never raises."""
    try:
        with open(path, "wb") as f:
            f.write(b"\n")
    except OSError:
        pass
