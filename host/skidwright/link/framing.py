"""The host's half of the link's framing: COBS by the `cobs` package, CRC-32 by zlib.

The board has its own code for the same frames (`skidboard.frames`), so that
each checks the other.
"""

from __future__ import annotations

import struct
import zlib

from cobs import cobs
from skidboard.frames import MAX_FRAME
from skidboard.records import CRC_CARRY


def request_frame(message: bytes) -> bytes:
    """A message to a board, behind a zero byte: whatever noise came before it is a frame of its own."""
    return b"\0" + frame(message)


def frame(message: bytes) -> bytes:
    """The bytes that carry `message`: COBS(message + CRC-32) and a zero."""
    stuffed: bytes = cobs.encode(message + struct.pack("<I", zlib.crc32(message)))
    return stuffed + b"\0"


class FrameReader:
    """Takes bytes as they come and gives the messages in them; what is no frame is counted and dropped."""

    def __init__(self) -> None:
        self._rest = b""
        self._overlong = False
        self.bad_frames = 0

    def feed(self, data: bytes) -> list[bytes]:
        """The messages completed by `data`, without their CRC. Holds at most one frame's length of bytes."""
        *whole, rest = (self._rest + data).split(b"\0")
        messages = []
        for raw in whole:
            message = None if self._overlong else _unframe(raw)
            self._overlong = False
            if message is not None:
                messages.append(message)
            elif raw:
                self.bad_frames += 1
        if len(rest) > MAX_FRAME:
            self._overlong = True
            rest = rest[-1:]
        self._rest = rest
        return messages

    def reset(self) -> None:
        """Forget an unfinished frame."""
        self._rest = b""
        self._overlong = False


def _unframe(raw: bytes) -> bytes | None:
    # A message of one byte with its CRC is six bytes stuffed.
    if not 6 <= len(raw) <= MAX_FRAME:
        return None
    try:
        message: bytes = cobs.decode(raw)
    except cobs.DecodeError:
        return None
    return message[:-4] if zlib.crc32(message) == CRC_CARRY else None
