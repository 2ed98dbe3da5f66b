"""Runs a netlist in ngspice where it is installed (Debian: `apt install ngspice`)."""

from __future__ import annotations

import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from skidwright.errors import RigError

_VALUE = re.compile(r"^\s*([a-z_][\w()\[\]\-]*)\s*=\s*([-+0-9.e]+)", re.IGNORECASE | re.MULTILINE)


def available() -> bool:
    """True when ngspice can be run here."""
    return shutil.which("ngspice") is not None


def run(netlist: str, timeout_s: float = 240.0) -> dict[str, float]:
    """The values that a netlist prints, by name in lower case.

    Raises RigError when ngspice is missing, does not end in time, or prints no value.
    """
    if not available():
        raise RigError("ngspice is not installed; on Debian: apt install ngspice")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "circuit.cir"
        path.write_text(netlist)
        try:
            done = subprocess.run(
                ["ngspice", "-n", "-b", str(path)],
                capture_output=True, text=True, timeout=timeout_s, cwd=folder, check=False,
            )  # fmt: skip
        except subprocess.TimeoutExpired:
            raise RigError(f"ngspice did not end within {timeout_s:g} s") from None
    values = {name.lower(): float(value) for name, value in _VALUE.findall(done.stdout)}
    if not values:
        last = (done.stderr or done.stdout).strip().splitlines()[-1:]
        raise RigError(f"ngspice printed no value: {' '.join(last)}")
    return values
