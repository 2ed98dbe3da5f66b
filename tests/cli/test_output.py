"""Tables on narrow terminals: no word, path or number is broken."""

import os
import re
import subprocess
import sys

import pytest

pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
termios = pytest.importorskip("termios", reason="no pseudo-terminals on this system")

PATH = "/srv/oil/build/demo/reports/asset_12_ramp_hydraulic_unit.html"
SCRIPT = f"""
from skidwright.cli import output
output.print_table(("asset", ">n", "path"), [("Ramp [b]unit", 5, {PATH!r}), ("x", "", "y")],
                   title="all [i]")
"""


def on_terminal(columns: int) -> str:
    """What SCRIPT shows on a terminal that is so many columns wide."""
    ours, theirs = pty.openpty()
    termios.tcsetwinsize(theirs, (50, columns))
    environment = {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")} | {"TERM": "xterm"}
    process = subprocess.Popen([sys.executable, "-c", SCRIPT], stdout=theirs, env=environment)
    os.close(theirs)
    shown = b""
    try:
        while chunk := os.read(ours, 4096):
            shown += chunk
    except OSError:  # how Linux says that the other end is closed
        pass
    os.close(ours)
    assert process.wait() == 0
    return re.sub(r"\x1b\[[0-9;]*m", "", shown.decode())


@pytest.mark.parametrize("columns", [20, 40, 70, 79, 120])
def test_no_word_is_broken(columns):
    shown = on_terminal(columns)
    assert PATH in shown
    assert "Ramp" in shown and "[b]unit" in shown
    assert "all [i]" in shown


def test_narrow_becomes_blocks_and_wide_a_table():
    assert re.search(r"^n +5\r?$", on_terminal(40), re.M)
    assert re.search(r"^ +Ramp \[b\]unit +5 +/srv", on_terminal(120), re.M)
