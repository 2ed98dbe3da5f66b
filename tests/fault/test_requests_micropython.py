"""Requests of any content under real MicroPython: none may end the firmware, and each is answered."""

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from fuzz_targets import KEPT

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = Path(sys.executable).parent / "micropython"
REQUESTS = int(os.environ.get("SKIDWRIGHT_REQUESTS", "1500"))
SEED = int(os.environ.get("SKIDWRIGHT_SEED", "1"))
KEPT_REQUESTS = sorted((KEPT / "any_request").iterdir())

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


@pytest.mark.timeout(0)
def test_no_request_ends_the_firmware(tmp_path: Path) -> None:
    script = ROOT / "tests" / "micropython" / "run_request_fuzz.py"
    command = [MICROPYTHON, "-X", "heapsize=1M", script, ROOT / "firmware", ROOT / "tests" / "firmware"]
    first = tmp_path / "first.json"
    first.write_text(json.dumps([path.read_bytes()[:2046].hex() for path in KEPT_REQUESTS]))
    command += [REQUESTS, SEED, first]
    environment = {**os.environ, "SKIDBOARD_TEST_DIR": str(tmp_path)}
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True, env=environment)
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-4000:]
    found = re.fullmatch(r"tried (\d+) answered (\d+) refused (\d+) left (\d+)", done.stdout.strip())
    tried, answered, refused, left = (int(text) for text in found.groups())
    print(f"figure: requests under MicroPython: {tried:,} tried, {refused:,} refused, {left:,} made it leave")
    assert tried >= REQUESTS and answered >= 2 * (tried - left)
    # Of all kinds there are some, or nothing was tried.
    assert refused > tried // 10 and tried // 100 < left < tried // 2
