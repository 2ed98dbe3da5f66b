"""On a board with the firmware: how regular the control tick is, while it samples and writes its log.

    mpremote connect PORT run tests/board/tick_times.py

Runs the firmware for SECONDS in place of the app that mpremote has ended, then prints periods of the tick
(pump wanted, and quiet), its duration, and that of the work after it where that wrote to flash. All in
microseconds. The prompt is there again afterwards and the pump is off; `mpremote reset` starts the app.
"""

import gc
from array import array
from time import ticks_diff, ticks_us

SECONDS = 150
_KEPT = 1600
# Work after a tick that takes longer than this has written to flash.
_WRITES_US = 5000


def measure(board, seconds):
    """Run the app on `board`; lines to print."""
    # Before the compiler's garbage cuts the heap into pieces.
    began = array("i", [0] * _KEPT)
    tick_us = array("i", [0] * _KEPT)
    after_us = array("i", [0] * _KEPT)
    pump = bytearray(_KEPT)
    if hasattr(gc, "mem_alloc"):
        gc.threshold(8192)
    from skidboard.app import App

    if hasattr(gc, "mem_alloc"):
        gc.threshold(-1)

    class Measured(App):
        """The app with a stop-watch."""

        n = 0
        garbage = 0

        def tick(self):
            """As App, timed."""
            i = self.n
            used = gc.mem_alloc() if hasattr(gc, "mem_alloc") else 0
            t = ticks_us()
            App.tick(self)
            tick_us[i] = ticks_diff(ticks_us(), t)
            if hasattr(gc, "mem_alloc") and gc.mem_alloc() != used:
                self.garbage += 1
            began[i] = t
            pump[i] = 1 if self.sequence.set_ul_s else 0

        def service(self):
            """As App, timed; ends the run."""
            t = ticks_us()
            App.service(self)
            after_us[self.n] = ticks_diff(ticks_us(), t)
            self.n += 1
            if self.n == _KEPT or self.timebase.uptime_s() >= seconds:
                self.leave(0)

    app = Measured(board)
    app.run()
    n = app.n - 1
    periods = [(ticks_diff(began[i + 1], began[i]), pump[i]) for i in range(n)]
    lines = ["%d ticks, %d of them allocated; %d samples" % (n, app.garbage, app.recorder.samples)]
    lines.append("period, pump on     " + _spread([p for p, on in periods if on]))
    lines.append("period, quiet       " + _spread([p for p, on in periods if not on]))
    lines.append("tick                " + _spread([tick_us[i] for i in range(n)]))
    lines.append("work with a write   " + _spread([t for t in after_us[:n] if t > _WRITES_US]))
    return lines


def _spread(values):
    values = sorted(values)
    n = len(values)
    if not n:
        return "none"
    return "n %d: median %d, 99 %% %d, longest %d us" % (n, values[n // 2], values[n * 99 // 100], values[-1])


def main():
    """On the board itself."""
    from skidboard.board import Board

    board = Board()
    board.safe()
    try:
        lines = measure(board, SECONDS)
    finally:
        board.leave()
    for line in lines:
        print(line)


if __name__ == "__main__":
    main()
