"""Run by MicroPython: the app through three cycles with a host asking all the while; prints memory in bytes.

Prints "live N free N": the most that was in use after any turn of the loop once garbage was collected, and
what was free then. (`micropython.mem_peak` is of no use here: it never learns what the collector freed.)
"""

import gc
import json
import sys


def main(firmware, tests, driver=0):
    """Run and print; 0 when samples were stored and the host was answered."""
    sys.path.insert(0, firmware)
    sys.path.insert(0, tests)
    gc.threshold(8192)  # as main.py does while it compiles
    from fake_board import FakeBoard, fresh_folder
    from skidboard import frames
    from skidboard.app import App

    board = FakeBoard(fresh_folder("memory"))
    with open(board.settings_path, "w") as f:
        json.dump({"purge_volume_ul": 10000, "rest_s": 20, "settle_ms": 3000, "sample_volume_ul": 6000,
                   "counter_driver": driver}, f)  # fmt: skip
    app = App(board)
    gc.threshold(-1)
    requests = (
        b"\x01\x01\x01\x00memory",
        b"\x02\x02",
        b"\x03\x03\x01\x00\x00\x00\x00\x00\x00\x10",
        b"\x05\x05",
    )
    frame = bytearray(64)
    answered = 0
    live = 0
    for i in range(1500):
        board.idle(100)
        if driver == 1:
            board.say_line()
        app.tick()
        app.service()
        if i % 5 == 0:
            request = requests[i // 5 % 4]
            message = bytearray(64)
            message[: len(request)] = request
            board.to_app = bytes(frame[: frames.pack_frame(message, len(request), frame)])
        app.link.poll()
        gc.collect()
        live = max(live, gc.mem_alloc())
        answered += board.from_app.count(b"\x00")
        board.from_app = b""
    print("live", live, "free", gc.mem_alloc() + gc.mem_free() - live)
    print("samples", app.recorder.samples, "answers", answered)
    return 0 if app.recorder.samples >= 3 and answered >= 200 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2], *[int(n) for n in sys.argv[3:]]))
