"""Storage that fails under a skid: unreadable, worn out, missing, full, or formatted by somebody else.

What must hold, with the whole app under MicroPython on its own VfsLfs2:

1. Sampling goes on at the same pace.
2. The fault "storage" stands in STATUS. While a record cannot be stored, what is lost is counted and "stored"
   is false. A full storage keeps the newest records and says that it is full; after a format a new log
   begins, and the fault stands until a host has come.
3. The board formats nothing: with the storage refusing reads and writes it changes no block; a file of
   somebody else on a full storage is as it was.
4. When the storage works again so does the log, without a restart, and the fault is gone.
"""

import json
import subprocess
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


@pytest.mark.parametrize("case", ["unreadable", "worn out", "missing", "full", "formatted"])
def test_sampling_goes_on(tmp_path, case):
    script = ROOT / "tests" / "micropython" / "run_bad_storage.py"
    command = [MICROPYTHON, "-X", "heapsize=8M", script, ROOT / "firmware", ROOT / "tests" / "firmware"]
    command += [case, tmp_path]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, timeout=250)
    assert done.returncode == 0, done.stderr[-2000:]
    good, spoilt, after, again = json.loads(done.stdout.splitlines()[-1])
    assert good["stored"] and not good["storage_fault"] and good["samples"] >= 1
    # Where the storage is missing the app was started anew without it.
    assert after["samples"] >= spoilt["samples"] + 4
    assert after["storage_fault"] and after["problem"].startswith("storage: ")
    if case in ("unreadable", "worn out", "missing"):
        assert not after["stored"] and after["lost"] >= 4
        assert after["changes"] == spoilt["changes"], "not one block was written"
    else:
        assert after["stored"] and ("full" if case == "full" else "new one") in after["problem"]
        assert (after["log"] != good["log"]) == (case == "formatted")
    assert again["stored"] and not again["storage_fault"] and again["samples"] > after["samples"]
