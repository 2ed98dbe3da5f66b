"""One bit flips in the flash, in the file system's own blocks too, on MicroPython's own LittleFS.

The board starts on it, appends and is read, see `tests/micropython/run_flash_flips.py`. What must hold:

1. No number is given twice, and every record that is read is the one that was stored.
2. What is lost is said: a lost end by a record that names it (or says that the last segment is damaged), what
   is missing before that by the gap in the numbers, a whole log by the board's notice; where the file system
   cannot be mounted at all and is formatted, the next log has another name.
3. What is stored afterwards is read.

The default is a sample of the bytes; `make flips` takes every seventh byte of every block in use.
"""

import json
import os
import shutil
import subprocess
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"
STEP = int(os.environ.get("SKIDWRIGHT_FLIP_STEP", "499"))

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


def sweep(firmware: Path, step: int) -> subprocess.CompletedProcess[str]:
    script = ROOT / "tests" / "micropython" / "run_flash_flips.py"
    command = [MICROPYTHON, "-X", "heapsize=64M", script, firmware, ROOT / "tests" / "firmware", step]
    return subprocess.run([str(part) for part in command], capture_output=True, text=True)


@pytest.mark.timeout(7200)
def test_no_flip_loses_without_a_word_or_gives_a_number_twice():
    done = sweep(ROOT / "firmware", STEP)
    assert done.returncode == 0, done.stderr[-2000:]
    result = json.loads(done.stdout.splitlines()[-1])
    sums = result["sums"]
    print(f"figure: flash bit flips: {result['flips']}, {sums}")
    assert sums["numbers reused"] == 0 and sums["lost without a word"] == 0
    # A sweep in which nothing was lost would prove nothing.
    assert result["flips"] > 400 and sums["nothing lost"] > 100
    assert sums["of an end, named"] > 0 and sums["in a gap"] > 0


@pytest.mark.parametrize(
    ("what", "old", "new"),
    [
        ("forgets the floor", "self.next_seq = max(self.next_seq, end.next_seq)", "pass"),
        ("names nothing", "c=max(0, first), d=seq if first >= 0 else 0", "c=0, d=0"),
        ("does not look", "elif end.log == self.log and (", "elif False and ("),
    ],
)
def test_the_sweep_sees_a_journal_without_a_floor(tmp_path, what, old, new):
    shutil.copytree(ROOT / "firmware", tmp_path / "firmware")
    path = tmp_path / "firmware" / "skidboard" / "journal.py"
    source = path.read_text()
    assert source.count(old) == 1
    path.write_text(source.replace(old, new))
    done = sweep(tmp_path / "firmware", 499)
    sums = json.loads(done.stdout.splitlines()[-1])["sums"] if done.returncode == 0 else {}
    assert done.returncode or sums["numbers reused"] or sums["lost without a word"], what
