"""Fixtures of the virtual skid's tests."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from skidwright.sim import board_process


@pytest.fixture
def run_instead(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[[str], None]:
    """Puts other source in place of the firmware's main.py."""

    def put(source: str) -> None:
        main = tmp_path / "other_main.py"
        main.write_text(source)
        files = {**board_process.firmware_files(), "main.py": main}
        monkeypatch.setattr(board_process, "firmware_files", lambda: files)

    return put
