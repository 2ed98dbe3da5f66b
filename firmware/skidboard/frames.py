"""Link framing: COBS, CRC-32 and a zero byte between frames.

COBS after S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing",
IEEE/ACM Transactions on Networking 7(2), 1999. A frame on the wire is
COBS(message + CRC-32 of message, little-endian) + 0x00. A receiver that joins
in the middle is right again after the next zero byte.
"""

import struct
import sys
from binascii import crc32

if sys.implementation.name == "micropython":
    import micropython
else:

    class micropython:  # type: ignore[no-redef]  # noqa: N801
        """CPython runs the same source as it stands."""

        @staticmethod
        def viper(function):
            """The function itself."""
            return function

    def ptr8(buffer):
        """In CPython a buffer serves as its own pointer."""
        return buffer


MAX_MESSAGE = 4352
# One code byte in 254, the CRC, and the delimiter.
MAX_FRAME = MAX_MESSAGE + 4 + (MAX_MESSAGE + 4) // 254 + 2


@micropython.viper
def stuff(source, n: int, target) -> int:
    """COBS-encode `n` bytes of `source` into `target` and return the length. No zero byte is in it."""
    src = ptr8(source)
    dst = ptr8(target)
    code_at = 0
    code = 1
    out = 1
    i = 0
    while i < n:
        byte = int(src[i])
        i += 1
        if byte != 0:
            dst[out] = byte
            out += 1
            code += 1
        if byte == 0 or code == 0xFF:
            dst[code_at] = code
            code = 1
            code_at = out
            if byte == 0 or i < n:
                out += 1
    if code_at < out:
        dst[code_at] = code
    return out


@micropython.viper
def unstuff(source, n: int, target) -> int:
    """COBS-decode `n` bytes (no delimiter) into `target`, which may be `source`; -1 when they are no COBS."""
    src = ptr8(source)
    dst = ptr8(target)
    i = 0
    out = 0
    while i < n:
        code = int(src[i])
        i += 1
        if code == 0 or i + code - 1 > n:
            return -1
        k = 1
        while k < code:
            byte = int(src[i])
            if byte == 0:
                return -1
            dst[out] = byte
            out += 1
            i += 1
            k += 1
        if code != 0xFF and i < n:
            dst[out] = 0
            out += 1
    return out


def pack_frame(message, n, frame):
    """Frame the first `n` bytes of `message`, which needs room for 4 more; return the frame's length."""
    struct.pack_into("<I", message, n, crc32(memoryview(message)[:n]))
    length = stuff(message, n + 4, frame)
    frame[length] = 0
    return length + 1


class Receiver:
    """Collects bytes into frames and forgets whatever is none, in a buffer of fixed size."""

    def __init__(self, max_message=MAX_MESSAGE):
        self.buffer = bytearray(max_message + 4 + (max_message + 4) // 254 + 2)
        self._n = 0
        self._overrun = False
        self.bad_frames = 0

    def pending(self):
        """The bytes of the unfinished frame, as a memoryview."""
        return memoryview(self.buffer)[: self._n]

    def held(self):
        """How many bytes of an unfinished frame there are."""
        return self._n

    def drop(self):
        """Forget the unfinished frame."""
        self._n = 0

    def push(self, byte):
        """Take one byte; the length of the message now in `buffer` when it completes a good frame, else 0."""
        if byte:
            if self._n < len(self.buffer):
                self.buffer[self._n] = byte
                self._n += 1
            else:
                self._overrun = True
            return 0
        n = self._n
        overrun = self._overrun
        self._n = 0
        self._overrun = False
        if n == 0:
            return 0
        length = -1 if overrun else unstuff(self.buffer, n, self.buffer)
        if length <= 4 or crc32(memoryview(self.buffer)[:length]) != 0x2144DF1C:
            self.bad_frames += 1
            return 0
        return length - 4
