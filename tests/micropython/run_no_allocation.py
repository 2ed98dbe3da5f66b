"""Run by MicroPython: ticks through a clean-up run and a trip with the heap locked: any allocation raises.

Prints how many ticks ran in each state of the cycle; exit status 1 when one allocated.
"""

import gc
import json
import sys

import micropython


def main(firmware, tests):
    """Tick through standby, a clean-up run, a rest, a duty by hand, a trip; 0 when nothing was allocated."""
    sys.path.insert(0, firmware)
    sys.path.insert(0, tests)
    from fake_board import FakeBoard, fresh_folder
    from skidboard.app import App

    board = FakeBoard(fresh_folder("no_allocation"))
    values = {
        "purge_volume_ul": 10000,
        "rest_s": 20,
        "settle_ms": 3000,
        "sample_volume_ul": 6000,
        "autostart": 0,
        "temp_source": 2,
        "cleanup_4um": 2,
        "cleanup_output": 8,
        "counter_driver": 1,
    }
    with open(board.settings_path, "w") as f:
        json.dump(values, f)
    app = App(board)
    ticks = [0] * 7
    tick = app.tick
    grown = 0
    for i in range(900):
        if i == 20:
            app.watched = True
            app.command("cleanup start 1")
        if i == 300:
            board.real_water_ua = 0
        if i == 640:
            app.command("stop")
            app.command("duty 300 600")
        if i == 700:
            board.input_bits = 1
        if i == 800:
            board.input_bits = 0
            app.command("reset")
        board.idle(100)
        board.say_line()
        gc.collect()
        before = gc.mem_alloc()
        micropython.heap_lock()
        try:
            tick()
        finally:
            micropython.heap_unlock()
        # Memory may be taken in spite of the lock only by something that never gives it back.
        grown = max(grown, gc.mem_alloc() - before)
        ticks[app.sequence.state] += 1
        app.service()
        app.link.poll()
    print("ticks in each state:", ticks, "grown by", grown)
    return 0 if grown == 0 and min(ticks) > 0 and app.recorder.samples > 0 else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
