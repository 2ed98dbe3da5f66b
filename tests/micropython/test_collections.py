"""Garbage is collected while the loop waits, so that no collection (some 6 ms on a board) makes a tick late.

What must hold, in half an hour of cycles with a host that asks for something four times a second, in a heap
of the size of a board's (where a word takes half as much as here): no collection falls into a tick, into the
writing of records or into the link's work, so none into a tick of counting. Were it left to MicroPython, they
would (so this test can fail).
"""

import json
import os
import subprocess
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"
# The collector is conservative: in less it may by chance keep so much garbage that the heap is full before
# the loop waits.
HEAP_KB = 240

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


def collections(tmp_path: Path, after: int) -> dict[str, int]:
    script = ROOT / "tests" / "micropython" / "run_collections.py"
    command = [
        MICROPYTHON,
        "-X",
        f"heapsize={HEAP_KB}k",
        script,
        ROOT / "firmware",
        ROOT / "tests" / "firmware",
    ]
    command.append(after)
    done = subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        timeout=250,
        env={**os.environ, "SKIDBOARD_TEST_DIR": str(tmp_path)},
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return dict(json.loads(done.stdout.splitlines()[-1]))


def test_no_collection_in_a_tick(tmp_path):
    found = collections(tmp_path, 32768)
    print(
        f"figure: garbage: {found['wait']} collections in half an hour, all in the wait; {found['tick']} in "
        f"{found['ticks']} ticks ({found['counting']} counting), {found['service'] + found['poll']} elsewhere"
    )
    assert found["samples"] > 40 and found["counting"] > 2500 and found["answers"] > 5000
    assert found["wait"] > 100
    assert found["tick"] == found["service"] == found["poll"] == 0


def test_left_to_itself_it_would_be(tmp_path):
    found = collections(tmp_path, 1 << 30)
    assert found["wait"] == 0 and found["tick"] + found["service"] + found["poll"] > 10
