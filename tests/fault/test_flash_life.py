"""What the log costs the flash: erases a record, and how the cost of an append grows as the log fills.

Under MicroPython with the geometry of the board's default file system. Flash endures 100,000 erases a
block (W25Q16JV data sheet, the Pico's flash: minimum 100,000 program/erase cycles).

What must hold:

1. At one record a minute the flash lasts 20 years, averaged over its blocks. (LittleFS moves what is written
   about, but does not move what lies still, so the block erased most is counted too.)
2. No append costs more than ten times the median one, in erases and programs as in flash time, the full log
   included. Reads are left out of the first: a median append reads 8 times 32 bytes, one in some hundred
   reads thousands of times, when LittleFS sorts a folder's notes or looks for free blocks. In time all count.
3. The log holds as many segments as the board says that it holds, and a restart reclaims none of them early.

`SKIDWRIGHT_FLASH_RECORDS` sets how many records are written (80,000: a few minutes).
"""

import json
import os
import subprocess
import sysconfig
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
MICROPYTHON = Path(sysconfig.get_path("scripts")) / "micropython"
# 9500 fill the log and go round by a third of it.
RECORDS = int(os.environ.get("SKIDWRIGHT_FLASH_RECORDS", "9500"))
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
    assert result["segments"] == result["said"] == result["said_again"]
    assert result["reclaimed_by_restart"] == 0

    years = 100_000 * BLOCKS * RECORDS / result["erases"] / MINUTES_A_YEAR
    hottest_years = 100_000 * RECORDS / result["wear_max"] / MINUTES_A_YEAR
    erases_a_record = result["erases"] / RECORDS
    print(
        f"figure: flash: {erases_a_record:.2f} erases a record, {years:.0f} years at one a minute; "
        f"{hottest_years:.0f} for the block erased most, over {RECORDS} records"
    )
    print(
        f"figure: append: {result['median_us'] / 1000:.0f} ms of flash time, worst "
        f"{result['worst_us'] / 1000:.0f} ms; {result['changes_median']} erases and programs, worst "
        f"{result['changes_worst']}; {result['reads_median']} reads, worst {result['reads_worst']}"
    )
    print(f"figure: log: holds {result['segments']} segments, as said; {result['free_blocks']} blocks free")
    assert erases_a_record < 1.25 and years > 20
    assert result["changes_worst"] <= 10 * result["changes_median"]
    assert result["worst_us"] <= 10 * result["median_us"]
    assert result["median_us"] <= 1.5 * result["early_median_us"]
