"""What the log costs the flash: erases a record, and how the cost of an append grows as the log fills.

Under MicroPython with the geometry of the board's default file system. Flash endures 100,000 erases a
block (W25Q16JV data sheet, the Pico's flash: minimum 100,000 program/erase cycles).
"""

import json
import subprocess
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"
RECORDS = 9500  # fills the log and goes round by a fifth of it
BLOCKS = 352
MINUTES_A_YEAR = 525_960

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


def test_life_of_the_flash_and_cost_of_an_append():
    script = ROOT / "tests" / "micropython" / "run_flash_life.py"
    command = [MICROPYTHON, "-X", "heapsize=16M", script, ROOT / "firmware", RECORDS]
    done = subprocess.run([str(part) for part in command], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr[-2000:]
    result = json.loads(done.stdout.splitlines()[-1])
    assert result["records"] == RECORDS and result["segment_last"] > result["segments"] > 200

    erases_a_record = result["erases"] / RECORDS
    years = 100_000 * BLOCKS / erases_a_record / MINUTES_A_YEAR
    print(
        f"figure: flash: {erases_a_record:.2f} erases a record, {years:.0f} years at one a minute; "
        f"append {result['median_us'] / 1000:.0f} ms, worst {result['worst_us'] / 1000:.0f} ms"
    )
    assert erases_a_record < 1.25 and years > 20
    assert result["changes_worst"] <= 10 * result["changes_median"]
    assert result["worst_us"] <= 10 * result["median_us"]
    assert result["median_us"] <= 1.5 * result["early_median_us"]
