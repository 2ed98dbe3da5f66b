"""Flash of the virtual board as a MicroPython block device on an image file.

Geometry and timing are those of the real board's storage: 4096-byte blocks of
which 352 hold the file system, 256-byte programs, about 45 ms for an erase and
0.4 ms for a program (typical data-sheet times). Power can fail in any one
operation, which then is left half done. Runs under MicroPython.
"""
# mypy: ignore-errors

BLOCK_BYTES = 4096
BLOCKS = 352
PROGRAM_BYTES = 256
ERASE_US = 45000
PROGRAM_US = 400
NEVER = (1 << 62) - 1


class Flash:
    """A block device for VfsLfs2 that counts its operations and the time they take."""

    def __init__(self, path, seed=0):
        self._file = open(path, "r+b")
        self._seed = seed
        self._erased = b"\xff" * 512
        self.operations = 0
        self.busy_us = 0
        self.die_at = NEVER
        self.on_death = None

    def _operation(self, cost_us):
        """Count one erase or program; true when power fails in it."""
        self.operations += 1
        self.busy_us += cost_us
        return self.operations >= self.die_at

    def _torn(self, length):
        """How much of `length` bytes a failing operation still does, from the seed."""
        return ((self._seed + self.operations) * 2654435761 >> 7) % length

    def readblocks(self, block, buf, offset=0):
        self._file.seek(block * BLOCK_BYTES + offset)
        self._file.readinto(buf)

    def writeblocks(self, block, buf, offset=None):
        if offset is None:
            self.ioctl(6, block)
            offset = 0
        place = block * BLOCK_BYTES + offset
        view = memoryview(buf)
        for at in range(0, len(buf), PROGRAM_BYTES):
            part = view[at : at + PROGRAM_BYTES]
            dies = self._operation(PROGRAM_US)
            if dies:
                part = part[: self._torn(len(part))]
            self._file.seek(place + at)
            self._file.write(part)
            if dies:
                self.on_death()

    def ioctl(self, op, arg):
        if op == 4:
            return BLOCKS
        if op == 5:
            return BLOCK_BYTES
        if op == 6:
            dies = self._operation(ERASE_US)
            length = self._torn(BLOCK_BYTES) if dies else BLOCK_BYTES
            self._file.seek(arg * BLOCK_BYTES)
            while length > 0:
                length -= self._file.write(self._erased if length >= 512 else self._erased[:length])
            if dies:
                self.on_death()
            return 0
        return 0 if op in (1, 2, 3) else None
