"""Reads a TOML file that anybody may have written: bounded in size, depth and numbers."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

MAX_BYTES = 1 << 20
_MAX_INT = 1 << 63


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
        table = tomllib.loads(raw.decode("utf-8"))
        _check(table)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise ValueError(
            f"byte 0x{raw[error.start]:02x} in line {line} is not UTF-8; save it as UTF-8"
        ) from None
    except RecursionError:
        raise ValueError("nested too deep") from None
    return table


def _check(value: Any) -> None:
    if isinstance(value, dict):
        for item in value.values():
            _check(item)
    elif isinstance(value, list):
        for item in value:
            _check(item)
    elif isinstance(value, int) and not -_MAX_INT <= value < _MAX_INT:
        raise ValueError("a whole number beyond 64 bits")
