"""How much of the storage the log may take, and the blocks kept to be given up when it is full.

Beside the segments lies `spare`, two blocks: without them a full storage would
have no room to write down what is about to be reclaimed.
"""

import os

from skidboard import records, segments

# Blocks left to the file system, so that it finds a free one fast and appends stay bounded.
RESERVE_BLOCKS = 16
# Blocks that come and go with settings and notes: no reason to reclaim what has its place.
_SLACK = 4
_FOLDER_BLOCKS = 2
_SPARE_BYTES = 8192
_MOST_BLOCKS = 1 << 20


class Storage:
    """The storage under the log in `path`; `folder` (a segments.Folder) says how many folders it has.

    To be read: `segments`, how many fit by the latest `measure`, and `spare`, whether the spare blocks are
    there. Methods raise OSError unless they say otherwise.
    """

    def __init__(self, path, folder):
        self.segments = _MOST_BLOCKS
        self.spare = False
        self._path = path
        self._folder = folder

    def measure(self, count):
        """Set the spare blocks aside if need be; work out `segments`, with the `count` that are there."""
        self._keep_spare()
        self.segments = self._fitting(count)
        if self.segments < count <= self.segments + _SLACK:
            self.segments = count

    def free_blocks(self):
        """Free blocks of 4096 bytes on the file system, at most 2**20."""
        if not hasattr(os, "statvfs"):
            return _MOST_BLOCKS
        stat = os.statvfs(self._path)
        free = stat[3]
        if free > stat[2]:
            free -= 1 << 32  # below zero, as an unsigned number
        if segments.ON_LITTLEFS:
            # Its count takes each folder's two blocks twice, those of the note of the end too.
            free += _FOLDER_BLOCKS * (self._folder.folders + 1)
        return max(0, min(stat[1] * free // records.SEGMENT_BYTES, _MOST_BLOCKS))

    def _fitting(self, count):
        """How many segments fit with the reserve left free, wherever the first of them lies in its folder."""
        blocks = count + _FOLDER_BLOCKS * self._folder.folders + self.free_blocks() - RESERVE_BLOCKS
        each = 1 << segments.FOLDER_BITS
        most = max(0, blocks - _FOLDER_BLOCKS) * each // (each + _FOLDER_BLOCKS)
        while most and most + _FOLDER_BLOCKS * ((most + each - 2) // each + 1) > blocks:
            most -= 1
        return most

    def _keep_spare(self):
        """Set the spare blocks aside if the reserve would be left; never raises."""
        path = self._path + "/spare"
        try:
            self.spare = os.stat(path)[6] >= _SPARE_BYTES
        except OSError:
            self.spare = False
        if self.spare:
            return
        try:
            if self.free_blocks() < RESERVE_BLOCKS + _SPARE_BYTES // records.SEGMENT_BYTES:
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
