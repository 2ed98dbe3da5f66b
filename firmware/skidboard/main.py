"""What the board runs at power-up; deployed as /main.py.

With the safe-mode input set nothing is started and the board is at its REPL.
However the app ends, the pump is off, no watchdog waits, and the REPL can be reached.
"""


def main():
    """Build the board, run the app until it ends, leave the board safe."""
    from skidboard.board import Board

    board = Board()
    board.safe()
    board.refresh()
    if board.inputs & 4:
        return
    app = None
    crash = ""
    try:
        # Garbage of the compiler, collected late, leaves the heap in pieces too small for the buffers.
        _collect_after(8192)
        from skidboard.app import App

        app = App(board)
        _collect_after(-1)
        app.run()
    except Exception as error:
        board.safe()
        crash = "%s: %s" % (type(error).__name__, error)
        if app is not None:
            try:
                app.record_crash(crash)
            except Exception:
                pass
    finally:
        board.safe()
    if crash:
        print("skidboard stopped with the pump off. " + crash)
    board.leave()


def _collect_after(n):
    """Collect garbage whenever `n` bytes have been allocated (MicroPython only); -1: when memory is short."""
    import gc

    if hasattr(gc, "threshold"):
        gc.threshold(n)


if __name__ == "__main__":
    main()
