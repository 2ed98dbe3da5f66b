"""The raw bytes of a board's flash storage, read block by block at the board's prompt; nothing is written."""

from __future__ import annotations

import base64
import binascii
import time
import zlib

from skidwright.errors import InstallError, SalvageError
from skidwright.link.prompt import leave_app, mpremote

BLOCK = 4096
_MOST_BLOCKS = 16384
_BACK_WITHIN_S = 30.0

# The storage area of the real board, or that of the virtual skid.
_SCRIPT = """
import binascii
try:
    import rp2
    d=rp2.Flash()
except ImportError:
    import skidrom
    d=skidrom.flash
n=d.ioctl(4,0)
b=bytearray(4096)
e=b'\\xff'*4096
print('RAW',n,d.ioctl(5,0))
for i in range(n):
    d.readblocks(i,b)
    if b!=e: print('B',i,binascii.crc32(b),binascii.b2a_base64(b).decode().strip())
print('END')
"""


def read(port: str) -> bytes:
    """All blocks of the board's storage area, back to back. A running app is asked to leave first.

    Raises PortError, NotASkid where there is neither a skid nor a prompt, InstallError when the prompt does
    not answer, SalvageError when what it says is damaged.
    """
    leave_app(port)
    deadline = time.monotonic() + _BACK_WITHIN_S
    while True:
        try:
            mpremote(port, "exec", "pass")
            break
        except InstallError:
            if time.monotonic() > deadline:
                raise
            time.sleep(0.5)
    return parse(mpremote(port, "exec", _SCRIPT), port)


def parse(said: str, where: str) -> bytes:
    """The image that the board's words stand for. Raises SalvageError."""
    lines = [line.split() for line in said.splitlines()]
    try:
        start = next(i for i, words in enumerate(lines) if words[:1] == ["RAW"])
        blocks, size = int(lines[start][1]), int(lines[start][2])
        if size != BLOCK or not 0 < blocks <= _MOST_BLOCKS or lines[-1] != ["END"]:
            raise ValueError
        image = bytearray(b"\xff" * BLOCK * blocks)
        for mark, number, crc, text in lines[start + 1 : -1]:
            block = base64.b64decode(text, validate=True)
            at = int(number) * BLOCK
            if (
                mark != "B"
                or len(block) != BLOCK
                or not 0 <= at < len(image)
                or zlib.crc32(block) != int(crc)
            ):
                raise ValueError
            image[at : at + BLOCK] = block
    except (ValueError, StopIteration, IndexError, binascii.Error):
        raise SalvageError(
            "the flash came over damaged or not at all", where, "check the cable, then repeat"
        ) from None
    return bytes(image)
