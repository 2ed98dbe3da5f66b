"""The board underneath: everything that touches pins, flash, clock and cable is behind one class, `Board`."""

import sys

if sys.platform == "rp2":
    from skidboard.board.pico import Board  # noqa: F401
else:
    from skidboard.board.virtual import Board  # noqa: F401
