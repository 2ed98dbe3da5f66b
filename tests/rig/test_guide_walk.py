"""The build guide, typed as it stands there, on a blank virtual skid: from sizing to a first check."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from sim.skids import needs_micropython
from skidwright.cli.app import run
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario import load, packaged

ROOT = Path(__file__).parents[2]
PORT = "/dev/ttyACM0"


def commands():
    """The lines of the guide's console blocks, in order."""
    text = (ROOT / "docs" / "build_guide.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```console\n(.*?)```", text, re.DOTALL)
    return [line for block in blocks for line in block.splitlines()]


@needs_micropython
@pytest.mark.slow
def test_every_command_of_the_guide_works_in_its_order(tmp_path, monkeypatch, capsys):
    shutil.copytree(ROOT / "hardware", tmp_path / "hardware")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    lines = commands()
    # setting the tool up
    assert [line.split()[0] for line in lines[:3]] == ["python3", ".", "python"]
    said = {}
    with VirtualSkid(load(packaged("quick")), tmp_path / "skid", blank=True, realtime=True) as skid:
        for line in lines[3:]:
            words = line.replace(PORT, skid.port).split()
            assert words[0] == "skidwright", line
            target = words[words.index(">") + 1] if ">" in words else None
            words = words[1 : words.index(">")] if target else words[1:]
            if words[0] == "watch":
                words += ["--times", "2", "--every", "0.2"]
            if words[0] == "install" and "--no-settings" not in words:
                # What step 9 says before its commands.
                shutil.copy(ROOT / "docs" / "skid.toml", tmp_path)
            if words[0] == "pull":
                # A cycle takes its time.
                skid.hold()
                skid.run_until(skid.now_s + 400)
                skid.go_live()
            capsys.readouterr()
            assert run(words) == 0, (line, capsys.readouterr())
            out = capsys.readouterr().out
            said[" ".join(words[:2])] = out
            if target:
                Path(target).write_text(out)
    assert "Nothing falls short." in said["size rig.toml"] and Path("rig.svg").is_file()
    assert "stop chain closed" in said[f"status {skid.port}"]
    assert "Press 1" in said["check"] and "not measured" in said["check"]
