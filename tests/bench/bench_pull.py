"""Pulling a log against a plain stream of bytes from the same board process over the same pseudo-terminal."""

import os
import sys
import time
from contextlib import closing
from pathlib import Path

from row import Row
from skidwright.archive.folder import Archive
from skidwright.archive.pull import pull
from skidwright.link.port import open_port
from skidwright.link.session import Session

sys.path.append(str(Path(__file__).resolve().parents[1] / "protocol"))

RECORDS = 4000
# What the board's USB serial gives with large writes (measured on an emulated RP2040).
USB_BYTES_S = 600_000
TURNS = 3


def _raw_bytes_s(session, n):
    """Bytes a second of a plain stream of `n` bytes from the board."""
    before = session.bytes_received
    session.command(f"stream {n}")
    started = time.monotonic()
    # Some of the stream may have come in with the answer to the command.
    got = session.bytes_received - before
    while got < n:
        got += len(session.port.read(5.0))
    spent = time.monotonic() - started
    session.port.read(0.1)
    return n / spent


def _pull_bytes_s(session, archive):
    """Log bytes a second of a whole pull, its greetings and the fsync at its end included."""
    started = time.monotonic()
    summary = pull(session, archive)
    return summary.bytes_moved / (time.monotonic() - started)


def _measure(folder, bytes_per_s):
    from board_at_pty import BoardAtPty, micropython

    folder.mkdir()
    raw, pulled = [], []
    python = "micropython" if micropython() else "cpython"
    board = BoardAtPty(folder, RECORDS, python=python, bytes_per_s=bytes_per_s)
    with board, closing(open_port(board.port)) as port:
        for turn in range(TURNS):
            raw.append(_raw_bytes_s(Session(port, timeout_s=10), RECORDS * 144))
            archive = Archive.create(folder / f"archive{turn}")
            pulled.append(_pull_bytes_s(Session(port, timeout_s=10), archive))
    return max(raw), max(pulled)


def rows(folder):
    """Rows at the board's rate and without a limit; none where there are no pseudo-terminals."""
    if os.name != "posix":
        return []
    found = []
    for name, limit, aim in (("at the board's USB rate", USB_BYTES_S, ">= 0.8"), ("without a limit", 0, "")):
        raw, pulled = _measure(folder / name.split()[0], limit)
        note = f"{pulled / 1000:.0f} KB/s of log against {raw / 1000:.0f} KB/s"
        found.append(Row(f"pull, against a plain stream of bytes, {name}", pulled / raw, "x", aim, note))
    return found
