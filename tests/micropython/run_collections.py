"""Run by MicroPython: where the garbage of half an hour is collected; one JSON line of counts.

The app on a board with a model in integers, which leaves no garbage itself, a cycle every half minute, with a
host that asks for status, settings and segments four times a second. A collection shows as memory in use that
has become less: tick, service and poll are looked at from outside, and what the app collects by itself while
it waits is counted. `run_collections.py FIRMWARE TESTS AFTER`: AFTER is the app's COLLECT_AFTER, in bytes.
"""

import gc
import json
import sys

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])
gc.threshold(8192)  # as main.py does while it compiles

from fake_board import FakeBoard, fresh_folder  # noqa: E402
from skidboard import app as app_module  # noqa: E402
from skidboard import frames  # noqa: E402
from skidboard.sequence import COUNT  # noqa: E402

MINUTES = 30
REQUESTS = (
    b"\x01\x01\x01\x00host",
    b"\x02\x02",
    b"\x03\x03\x01\x00\x00\x00\x00\x00\x00\x10",
    b"\x05\x05",
    b"\x07\x06mark one more",
)
QUICK = {"purge_volume_ul": 10000, "rest_s": 10, "settle_ms": 3000, "sample_volume_ul": 6000}
counts = {"ticks": 0, "counting": 0, "tick": 0, "service": 0, "poll": 0, "wait": 0, "answers": 0}


class Ended(Exception):
    """Ends the run of the loop."""


class IntegerBoard(FakeBoard):
    """Flow follows the duty at once; asks the app for something four times a second."""

    def __init__(self, folder):
        super().__init__(folder)
        self.asked = 0
        self.nl = 0
        self.frames = []
        for request in REQUESTS:
            frame = bytearray(64)
            message = bytearray(64)
            message[: len(request)] = request
            self.frames.append(bytes(frame[: frames.pack_frame(message, len(request), frame)]))

    def idle(self, ms):
        """Time passes; at most to the next question."""
        ms = min(ms, 250 - self.now_us // 1000 % 250)
        self.now_us += ms * 1000
        self.nl += self.duty_permille * 4 * ms
        if self.nl // self.pulse_nl != self.meter_count:
            self.meter_count = self.nl // self.pulse_nl
            self.meter_edge_us = self.now_us & 0x3FFFFFFF
        for i in range(4):
            self.counts[i] = (self.nl >> (8 + i)) & 0x3FFFFFFF
        if self.now_us // 250000 > self.asked:
            self.asked = self.now_us // 250000
            self.to_app = self.frames[self.asked % len(REQUESTS)]
        if self.now_us > MINUTES * 60 * 1000000:
            raise Ended

    def refresh(self):
        """All is there."""

    def serial_write(self, buf, n):
        """Taken at once; an answer ends with a zero."""
        if buf[n - 1] == 0:
            counts["answers"] += 1
        return n


class WaitingCollector:
    """Stands for the module `gc` in the app."""

    mem_free = gc.mem_free

    def collect(self):
        counts["wait"] += 1
        gc.collect()


def watched(name, function):
    """`function`, with collections in it counted under `name`."""

    def look():
        before = gc.mem_alloc()
        result = function()
        change = gc.mem_alloc() - before
        if change < 0:
            counts[name] += 1
        # (What a tick may not do at all is proven under a locked heap, in run_no_allocation.py.)
        return result

    return look


def main(after):
    """Run and print."""
    board = IntegerBoard(fresh_folder("collections"))
    with open(board.settings_path, "w") as f:
        json.dump(QUICK, f)
    app = app_module.App(board)
    gc.threshold(-1)
    app_module.gc = WaitingCollector()
    app_module.COLLECT_AFTER = after
    look_at_tick = watched("tick", app.tick)

    def tick():
        counts["ticks"] += 1
        counts["counting"] += app.sequence.state == COUNT
        look_at_tick()

    app.tick = tick
    app.service = watched("service", app.service)
    app.link.poll = watched("poll", app.link.poll)
    try:
        app.run()
    except Ended:
        pass
    counts["samples"] = app.recorder.samples
    counts["records"] = app.journal.next_seq
    print(json.dumps(counts))


main(int(sys.argv[3]))
