"""A board that only has a log and a link: the firmware's own Journal and Link behind a serial port.

Runs under MicroPython (the log on VfsLfs2 over an image file) and under CPython
(the log in a folder): `run_pty_board.py config.json`. The config names the firmware
folder, the open descriptor of the terminal and how many records to start with.
"""

import json
import os
import sys
import time

with open(sys.argv[-1]) as f:
    config = json.load(f)
sys.path.insert(0, config["firmware"])
MICROPYTHON = sys.implementation.name == "micropython"

if MICROPYTHON:
    import vfs

    class ImageFile:
        """A block device of 4096-byte blocks on a file."""

        def __init__(self, path, blocks):
            self._blocks = blocks
            self._file = open(path, "r+b")  # noqa: SIM115

        def readblocks(self, block, buf, offset=0):
            self._file.seek(block * 4096 + offset)
            self._file.readinto(buf)

        def writeblocks(self, block, buf, offset=0):
            self._file.seek(block * 4096 + offset)
            self._file.write(buf)

        def ioctl(self, op, arg):
            return {4: self._blocks, 5: 4096, 6: 0}.get(op)

    device = ImageFile(config["image"], config["blocks"])
    try:
        fs = vfs.VfsLfs2(device, progsize=256, readsize=32, lookahead=32)
    except OSError:
        vfs.VfsLfs2.mkfs(device, progsize=256, readsize=32, lookahead=32)
        fs = vfs.VfsLfs2(device, progsize=256, readsize=32, lookahead=32)
    vfs.mount(fs, "/flash")
    ticks_ms = time.ticks_ms
    BLOCKED = OSError
else:
    BLOCKED = BlockingIOError

    def ticks_ms():
        return time.monotonic_ns() // 1000000 & 0x3FFFFFFF


from skidboard import records, settings  # noqa: E402
from skidboard.journal import Journal  # noqa: E402
from skidboard.link import STALLED, Link  # noqa: E402
from skidboard.timebase import Timebase  # noqa: E402


class Board:
    """The part of a board that Link uses; the descriptor does not block."""

    device_id = bytes([0x10, 0x32, 0x54, 0x76, 0x98, 0xBA, 0xDC, 0xFE])

    def __init__(self):
        self._port = open(config["fd"], "r+b") if MICROPYTHON else config["fd"]  # noqa: SIM115
        self._room = 0
        self._room_ms = ticks_ms()

    def ticks_ms(self):
        return ticks_ms()

    def serial_read(self, buf):
        try:
            got = self._port.read(len(buf)) if MICROPYTHON else os.read(self._port, len(buf))
        except BLOCKED:
            return 0
        if not got:
            return 0
        buf[: len(got)] = got
        return len(got)

    def serial_write(self, buf, n):
        rate = config["bytes_per_s"]
        if rate:
            # A cable of so many bytes a second: what it has room for by now, in packets of 64 as on USB.
            now_ms = ticks_ms()
            self._room = min(self._room + (now_ms - self._room_ms & 0x3FFFFFFF) * rate // 1000, rate // 100)
            self._room_ms = now_ms
            n = min(n, self._room // 64 * 64) if n >= 64 else min(n, max(0, self._room))
        if n == 0:
            return 0
        taken = self._write(memoryview(buf)[:n])
        self._room -= taken
        return taken

    def _write(self, view):
        if MICROPYTHON:
            return self._port.write(view) or 0
        try:
            return os.write(self._port, view)
        except BLOCKED:
            return 0


class App:
    """What Link asks of the app."""

    def __init__(self, board):
        self.timebase = Timebase(board.ticks_ms())
        log_dir = "/flash/log" if MICROPYTHON else config["log_dir"]
        self.journal = Journal(log_dir, board.device_id, lambda: config["log"], config["segments_max"])
        self.timebase.boot = self.journal.open()
        self.settings = settings.defaults()
        self.leave_code = -1
        self.stream_bytes = 0
        self._slot = bytearray(records.RECORD_BYTES)
        self.event(records.BOOT, text="pty board")

    def event(self, kind, **fields):
        """Append an event record."""
        records.pack_event(self._slot, kind, self.timebase.boot, self.timebase.uptime_ms(), **fields)
        return self.journal.append(self._slot)

    def status(self):
        return {"state": "standby", "faults": [], "next_seq": self.journal.next_seq}

    def command(self, text):
        if text.startswith("mark "):
            return None if self.event(records.MARK, text=text[5:]) >= 0 else self.journal.problem
        if text.startswith("grow "):
            for i in range(int(text[5:])):
                self.event(records.MARK, a=i, text="grown %d" % i)
            return None
        if text.startswith("stream "):
            self.stream_bytes = int(text[7:])
            return None
        return "%s: not a command" % text

    def contact(self, utc_ms, uncertainty_ms, stored_seq, text):
        self.journal.set_stored(stored_seq)
        seq = self.event(records.CONTACT, a=uncertainty_ms, b=stored_seq, utc_ms=utc_ms, text=text)
        return seq, self.timebase.uptime_ms()

    def put_settings(self, values):
        problems = settings.check_all(values)
        if problems:
            return 0, problems[0]
        self.settings.update(values)
        return len(values), None

    def leave(self, code):
        self.leave_code = code


board = Board()
app = App(board)
for i in range(config["records"]):
    app.event(records.MARK, a=i, text="record %d" % i)
link = Link(app, board)
print("ready")
if not MICROPYTHON:
    sys.stdout.flush()
idle_s = 0.0002
plain = bytes([0x55]) * 4128


def stream(n):
    """Write `n` bytes that are no frames, as fast as the port takes them."""
    while n > 0:
        at = 0
        while at < min(n, len(plain)):
            taken = board.serial_write(memoryview(plain)[at:], min(n, len(plain)) - at)
            at += taken
            if not taken:
                time.sleep(idle_s)
        n -= at


while app.leave_code < 0:
    state = link.poll()
    app.timebase.advance(board.ticks_ms())
    if state == STALLED or not state:
        if app.stream_bytes and not state:
            stream(app.stream_bytes)
            app.stream_bytes = 0
        time.sleep(idle_s)
while link.poll():
    pass
print("left", app.leave_code)
