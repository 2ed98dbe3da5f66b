"""Power cuts in the firmware's journal on MicroPython's own LittleFS, each at another flash operation.

What must hold after every cut, by `tests/micropython/run_power_cuts.py`:

1. Every record whose append had returned is there as it was written, unless it was reclaimed.
2. What is there is a prefix of what was written: each number once, none left out, none invented.
3. Nothing went by reclaiming that no record names, and what was named does not stay.
4. Every segment holds the digest of the one before.

And the next boot goes on: the same log, 30 more records across a rotation, all of the above again.

Variants: `clean`, the operation never begun; `torn`, a program cut at a random byte with some of that byte's
bits done, or an erase half done with noise in the rest; `again`, the same and the power cut once more during
the recovery or the first appends after it. Folders of segments hold two here, so that they are made and
removed often, on a full storage too.

The default is a sample of the operations; `SKIDWRIGHT_SWEEP=1` cuts at each of them (about 2100 a variant).
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
STEP = int(os.environ.get("SKIDWRIGHT_SWEEP", "29"))

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


def sweep(firmware: Path, variant: str, step: int) -> subprocess.CompletedProcess[str]:
    script = ROOT / "tests" / "micropython" / "run_power_cuts.py"
    command = [
        MICROPYTHON,
        "-X",
        "heapsize=128M",
        script,
        firmware,
        ROOT / "tests" / "firmware",
        variant,
        step,
    ]
    return subprocess.run([str(part) for part in command], capture_output=True, text=True)


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("variant", ["clean", "torn", "again"])
def test_no_cut_loses_or_forges(variant):
    done = sweep(ROOT / "firmware", variant, STEP)
    assert done.returncode == 0, done.stderr[-2000:]
    result = json.loads(done.stdout.splitlines()[-1])
    # A sweep that wrote nothing, or never rotated, reclaimed or acknowledged, would prove nothing.
    assert result["appended"] == 300 and result["acknowledged"] >= 300
    assert result["segment_last"] >= 10 and result["stored_seq"] > 0 and result["overwrote"] > 0
    assert result["operations"] > 1500
    assert result["cuts"] == -(-result["operations"] // STEP)
    parts = result["in_part"]
    if variant != "clean":
        assert parts["programs torn"] > 0 and parts["erases half done"] > 0
    assert (parts["second cuts"] > 0) == (variant == "again")
    more = "".join(f", {n} {what}" for what, n in sorted(parts.items()) if n)
    print(f"figure: power cuts, {variant}: {result['cuts']} of {result['operations']} operations{more}")


@pytest.mark.parametrize(
    ("what", "old", "new"),
    [
        ("acknowledges before the flush", "self._file.flush()\n", "pass\n"),
        (
            "removes before it says so",
            "        f.flush()\n        self._ready",
            "        for _ in range(reclaim):\n            self._remove_first()\n        reclaim = 0\n"
            "        f.flush()\n        self._ready",
        ),
    ],
)
def test_the_sweep_sees_a_journal_that_cheats(tmp_path, what, old, new):
    shutil.copytree(ROOT / "firmware", tmp_path / "firmware")
    path = tmp_path / "firmware" / "skidboard" / "journal.py"
    source = path.read_text()
    assert source.count(old) == 1
    path.write_text(source.replace(old, new))
    done = sweep(tmp_path / "firmware", "clean", 3)
    assert done.returncode != 0 and "AssertionError" in done.stderr + done.stdout, what
