"""The virtual board and its flash under both interpreters."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest
from sim import board_cases
from sim.skids import needs_micropython
from skidwright.sim.board_process import ROM, micropython

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
CASES = sorted(name for name in dir(board_cases) if name.startswith("test_"))


@pytest.mark.parametrize("name", CASES)
def test_under_cpython(name: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.syspath_prepend(ROM)
    monkeypatch.chdir(tmp_path)
    getattr(board_cases, name)()


@needs_micropython
def test_under_micropython(tmp_path: Path) -> None:
    runner = HERE.parent / "micropython" / "run_module.py"
    command = [micropython(), runner, ROOT / "firmware", HERE, "board_cases"]
    done = subprocess.run(
        [str(part) for part in command], capture_output=True, text=True, timeout=60, cwd=tmp_path,
        env={"MICROPYPATH": f"{ROM}:.frozen", "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert f"{len(CASES)} tests, 0 failed" in done.stdout
