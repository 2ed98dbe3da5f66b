"""The firmware's tests once more, under real MicroPython."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent
TESTS = HERE.parent / "firmware"
MICROPYTHON = Path(sys.executable).parent / "micropython"

# Tests that need pytest or hypothesis run on CPython only.
MODULES = sorted(
    path.stem
    for path in TESTS.glob("test_*.py")
    if not re.search(r"^(import|from) (pytest|hypothesis|ast|instrumented)", path.read_text(), re.MULTILINE)
)

pytestmark = pytest.mark.skipif(not MICROPYTHON.exists(), reason="no MicroPython for this platform")


# Modules that the tests named here go through from end to end, rather than by tests of their own.
WITHIN = {
    "app": "test_app", "process": "test_app", "recorder": "test_app", "status": "test_app",
    "faults": "test_app", "segments": "test_journal", "recovery": "test_journal", "trace": "test_by_hand",
    "storage": "test_journal", "settings_log": "test_app", "digest": "test_journal",
    "end_note": "test_journal", "commands": "test_app",
}  # fmt: skip


def test_every_pure_module_is_tested_on_both_interpreters():
    package = ROOT / "firmware" / "skidboard"
    files = [*package.glob("*.py"), *(package / "drivers").glob("*.py")]
    pure = {path.stem for path in files} - {"__init__", "main"}
    assert len(pure) > 20
    missing = {name for name in pure if WITHIN.get(name, f"test_{name}") not in MODULES}
    assert not missing


@pytest.mark.parametrize("module", MODULES)
def test_under_micropython(module: str, tmp_path: Path) -> None:
    command = [MICROPYTHON, "-X", "heapsize=2M", HERE / "run_module.py", ROOT / "firmware", TESTS, module]
    done = subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        timeout=240,
        env={**os.environ, "SKIDBOARD_TEST_DIR": str(tmp_path)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    tests = int(re.search(r"(\d+) tests, 0 failed", done.stdout).group(1))
    assert tests == len(re.findall(r"^def test_", (TESTS / f"{module}.py").read_text(), re.MULTILINE))
