"""Checks the types of the firmware with mypy, against MicroPython's own modules instead of CPython's.

The stub packages describe what MicroPython has: `machine` and `rp2` exist, `typing` at run time does not,
and a function that only CPython's standard library has is an error here. Exit status 1 on any error.
"""

import subprocess
import sys
import sysconfig
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SITE = Path(sysconfig.get_path("purelib"))

EXCEPTIONS = """
# The stubs' own errors are not ours to fix.
[mypy-machine.*,rp2.*,vfs.*,_mpy_shed.*]
ignore_errors = True
# Words of the PIO assembler.
[mypy-skidboard.board.edges]
disable_error_code = name-defined
# What MicroPython has built in is written out once more for CPython.
[mypy-skidboard.ticks]
disable_error_code = no-redef, misc
[mypy-skidboard.segments]
disable_error_code = no-redef, misc
# `begin` comes before any other call on a Digest.
[mypy-skidboard.digest]
disable_error_code = union-attr
# Exists inside the virtual skid only.
[mypy-skidrom]
ignore_missing_imports = True
"""


def main() -> int:
    """Run mypy over firmware/skidboard; return its exit status."""
    if not (SITE / "machine.pyi").exists() or not (SITE / "stdlib" / "builtins.pyi").exists():
        print("firmware types: micropython-rp2-stubs and micropython-stdlib-stubs are not installed")
        return 2
    with tempfile.TemporaryDirectory() as folder:
        # mypy refuses stubs that lie in site-packages itself, so they get a folder of links.
        stubs = Path(folder) / "stubs"
        stubs.mkdir()
        for stub in [*SITE.glob("*.pyi"), SITE / "rp2", SITE / "_mpy_shed"]:
            (stubs / stub.name).symlink_to(stub)
        config = Path(folder) / "mypy.ini"
        config.write_text(
            "[mypy]\n"
            f"mypy_path = {stubs}:{ROOT / 'firmware'}\n"
            f"custom_typeshed_dir = {SITE}\n"
            "platform = rp2\n"
            "check_untyped_defs = True\n"
            "no_site_packages = True\n"
            "disable_error_code = var-annotated\n" + EXCEPTIONS
        )
        cache = ROOT / ".mypy_cache" / "firmware"
        command = [sys.executable, "-m", "mypy", "--config-file", str(config), "--cache-dir", str(cache)]
        return subprocess.run([*command, str(ROOT / "firmware" / "skidboard")], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
