"""Run by MicroPython: `run_bad_storage.py FIRMWARE TESTS_FIRMWARE CASE`; one JSON line of what happened.

The whole app on a fake board, its log on VfsLfs2 over a block device in RAM that is spoilt in mid-run.
"""

import json
import os
import sys

import vfs

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])

from fake_board import FakeBoard  # noqa: E402
from skidboard.app import App  # noqa: E402

BLOCK = 4096
BLOCKS = 64
QUICK = {
    "purge_volume_ul": 10000,
    "rest_s": 20,
    "settle_ms": 3000,
    "sample_volume_ul": 6000,
    "log_segments": 40,
}


class Device:
    """Blocks in RAM; `refuses` holds the operations that fail with EIO."""

    def __init__(self):
        self.data = bytearray(b"\xff" * (BLOCKS * BLOCK))
        self.refuses = ""
        self.changes = 0

    def readblocks(self, block, buf, offset=0):
        if "r" in self.refuses:
            raise OSError(5)
        at = block * BLOCK + offset
        buf[:] = memoryview(self.data)[at : at + len(buf)]

    def writeblocks(self, block, buf, offset=0):
        if "w" in self.refuses:
            raise OSError(5)
        self.changes += 1
        at = block * BLOCK + offset
        self.data[at : at + len(buf)] = buf

    def ioctl(self, op, arg):
        if op == 6:
            if "w" in self.refuses:
                raise OSError(5)
            self.changes += 1
        return {4: BLOCKS, 5: BLOCK}.get(op, 0)


class Ended(Exception):
    """Ends a run of the loop."""


def run(app, ms):
    fake = app.board
    end_us = fake.now_us + ms * 1000
    idle = fake.idle

    def until_end(wait_ms):
        if fake.now_us >= end_us:
            raise Ended
        idle(min(wait_ms, max(1, (end_us - fake.now_us) // 1000)))

    fake.idle = until_end
    try:
        app.run()
    except Ended:
        pass
    fake.idle = idle


def state(app):
    return {
        "samples": app.recorder.samples,
        "stored": app.recorder.sample_stored,
        "storage_fault": "storage" in app.status()["faults"],
        "problem": app.journal.problem or app.journal.notice,
        "log": app.journal.log,
        "lost": app.journal.lost,
        "changes": device.changes,
    }


HOW = {"progsize": 256, "readsize": 32, "lookahead": 32}
device = Device()
vfs.VfsLfs2.mkfs(device, **HOW)
vfs.mount(vfs.VfsLfs2(device, **HOW), "/flash")
board = FakeBoard("/flash")
board.settings_path = sys.argv[4] + "/settings.json"
with open(board.settings_path, "w") as f:
    json.dump(QUICK, f)
numbers = [77, 66, 55]
board.random_u32 = numbers.pop
app = App(board)
run(app, 60000)
found = [state(app)]
case = sys.argv[3]
foreign = b""
if case == "unreadable":
    device.refuses = "rw"
elif case == "worn out":
    device.refuses = "w"
elif case == "missing":
    vfs.umount("/flash")
    app = App(board)
elif case == "formatted":
    # A file still open on the old file system would write into the new one.
    app.journal._close_file()
    vfs.umount("/flash")
    vfs.VfsLfs2.mkfs(device, **HOW)
    vfs.mount(vfs.VfsLfs2(device, **HOW), "/flash")
elif case == "full":
    with open("/flash/foreign", "wb") as f:
        try:
            while True:
                f.write(bytes(range(256)))
                f.flush()
        except OSError:
            pass
    with open("/flash/foreign", "rb") as f:
        foreign = f.read()
found.append(state(app))
run(app, 200000)
# A block or two that the file system could not give the other file may take a segment more.
while case == "full" and app.journal.segment_last < 4 and not app.journal.notice:
    run(app, 100000)
found.append(state(app))
if case == "full":
    with open("/flash/foreign", "rb") as f:
        assert f.read() == foreign and len(foreign) > 100000
    os.remove("/flash/foreign")
device.refuses = ""
if case == "missing":
    vfs.mount(vfs.VfsLfs2(device, **HOW), "/flash")
if case == "formatted":
    app.contact(1790000000000, 100, app.journal.next_seq, "a host")
run(app, 250000)
found.append(state(app))
print(json.dumps(found))
