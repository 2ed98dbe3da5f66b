"""Reads a TOML file that anybody may have written: bounded in size, depth and numbers."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

MAX_BYTES = 1 << 20
_MAX_INT = 1 << 63
_ENDLESS = re.compile(r"[0-9_]{1000,}")


def read_toml(path: Path) -> dict[str, Any]:
    """The table in the file at `path`.

    Raises OSError when it cannot be read, ValueError with one line for what is no TOML or beyond all
    measure: more than 1 MB, nested too deep, a whole number beyond 64 bits (TOML 1.0 promises no more).
    """
    with path.open("rb") as file:
        raw = file.read(MAX_BYTES + 1)
    if len(raw) > MAX_BYTES:
        raise ValueError("longer than 1 MB")
    try:
        # Editors of Windows put a byte order mark before the text.
        text = raw.decode("utf-8-sig")
        _refuse_endless_digits(text)
        table = tomllib.loads(text)
        _check(table, "")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ValueError(
            f"byte 0x{raw[error.start]:02x} in line {line} is not UTF-8; save it as UTF-8"
        ) from None
    except RecursionError:
        raise ValueError("nested too deep") from None
    return table


def _refuse_endless_digits(text: str) -> None:
    """Raise ValueError, with its line, for a number that Python would refuse to convert, without one."""
    found = _ENDLESS.search(text)
    if found:
        line = text.count("\n", 0, found.start()) + 1
        raise ValueError(f"a number of {len(found.group()):,} digits in line {line}")


def _check(value: Any, where: str) -> None:
    if isinstance(value, dict):
        for name, item in value.items():
            _check(item, f"{where}.{name}" if where else str(name))
    elif isinstance(value, list):
        for place, item in enumerate(value, 1):
            _check(item, f"{where} {place}")
    elif isinstance(value, int) and not -_MAX_INT <= value < _MAX_INT:
        raise ValueError(f"{where}: a whole number beyond 64 bits")
