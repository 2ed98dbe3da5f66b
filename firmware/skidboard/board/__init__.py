"""The board underneath: everything that touches pins, flash, clock and cable is behind one class, `Board`."""

import sys

if sys.platform == "rp2":
    import micropython

    # A host may ask before the start is through, and a 3 among its bytes would end the start.
    micropython.kbd_intr(-1)
    from skidboard.board.pico import Board  # noqa: F401
else:
    from skidboard.board.virtual import Board  # noqa: F401
