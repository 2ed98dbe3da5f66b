"""Byte code for a board: only where it is what the board runs, else the sources and a reason.

Version, architecture and flags in `sys.implementation._mpy` after MicroPython's docs, "MicroPython .mpy
files".
"""

import pytest
from skidwright.link import byte_code
from skidwright.link.install import firmware_files

RP2040 = 4 << 10 | 3 << 8 | 6


def test_what_a_board_runs_is_byte_code_but_for_main(tmp_path):
    files = firmware_files("rp2")
    made, why = byte_code.compiled(files, RP2040, tmp_path)
    assert why == "" and list(made)[-1] == "main.py" and made["main.py"] == files["main.py"]
    assert {name.replace(".mpy", ".py") for name in made} == set(files)
    for name, path in made.items():
        if name != "main.py":
            # Letter M, then the version (docs as above, "The binary encoding of .mpy files").
            assert name.endswith(".mpy") and path.read_bytes()[:2] == b"M\x06", name
    # Natively compiled functions are there, for the Cortex-M0+: sub-version 3, architecture 4.
    assert made["skidboard/frames.mpy"].read_bytes()[2] & 0x3F == 4 << 2 | 3


@pytest.mark.parametrize(
    "mpy, reason",
    [(0, "does not say"), (2 << 10 | 3 << 8 | 6, "does not say"),
     (4 << 10 | 2 << 8 | 6, "v6.2"), (4 << 10 | 5, "v5")],
)  # fmt: skip
def test_any_other_board_gets_the_sources(tmp_path, mpy, reason):
    files = firmware_files("rp2")
    made, why = byte_code.compiled(files, mpy, tmp_path)
    assert made == files and reason in why


def test_without_the_compiler_the_sources(tmp_path, monkeypatch):
    monkeypatch.setattr(byte_code.importlib.util, "find_spec", lambda name: None)
    files = firmware_files("rp2")
    made, why = byte_code.compiled(files, RP2040, tmp_path)
    assert made == files and "fast-install" in why
