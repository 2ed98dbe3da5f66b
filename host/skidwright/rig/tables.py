"""Tables of a rig's TOML files made into dataclasses: every key is known, or the file is refused by name."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path
from typing import Any, TypeVar

from skidwright.config import checked_toml
from skidwright.errors import RigError

T = TypeVar("T")


def read_toml(path: Path) -> dict[str, Any]:
    """The document in a TOML file. Raises RigError when it cannot be read or is not TOML."""
    try:
        return checked_toml.read_toml(path)
    except OSError as problem:
        raise RigError(f"{path}: cannot be read ({problem.strerror})") from None
    except ValueError as problem:
        raise RigError(f"{path}: not valid TOML: {problem}") from None


def check_tables(document: dict[str, Any], known: tuple[str, ...], what: str = "table") -> None:
    """Raises RigError for a format other than 1 and for a table that is not among `known`."""
    for key in document:
        if key != "format" and key not in known:
            raise RigError(f"unknown {what} '{key}'; known are {', '.join(known)}")
    if document.get("format") != 1:
        raise RigError("format must be 1: this file is of another version of skidwright")


def rows(document: dict[str, Any], key: str) -> list[Any]:
    """The tables of [[key]], none when it is not there. Raises RigError when it is something else."""
    found = document.get(key, [])
    if not isinstance(found, list):
        raise RigError(f"[[{key}]] must be written with two brackets")
    return found


def build(kind: type[T], table: Any, where: str) -> T:
    """Make a `kind` (a dataclass of plain fields) from a TOML table.

    Raises RigError naming the key that is unknown, missing or of the wrong type.
    """
    if not isinstance(table, dict):
        raise RigError(f"{where}: a table is needed, not {_kind(table)}")
    known = {f.name: f for f in fields(kind)}  # type: ignore[arg-type]
    for key in table:
        if key not in known:
            raise RigError(f"{where}: unknown key '{key}'; known are {', '.join(known)}")
    values: dict[str, Any] = {}
    for name, f in known.items():
        if name in table:
            value = table[name]
            if not _fits(value, str(f.type)):
                raise RigError(f"{where}: '{name}' does not take {_kind(value)} ({value!r})")
            values[name] = tuple(value) if isinstance(value, list) else value
    try:
        return kind(**values)
    except TypeError as problem:
        missing = str(problem).split(":", 1)[-1].strip()
        raise RigError(f"{where}: missing {missing}") from None


def _kind(value: Any) -> str:
    return {bool: "true or false", str: "text", dict: "a table", list: "a list"}.get(type(value), "a number")


def _fits(value: Any, annotation: str) -> bool:
    """Whether a TOML value fits a dataclass field's annotation (given as text)."""
    if annotation == "bool":
        return isinstance(value, bool)
    if annotation == "str":
        return isinstance(value, str)
    if annotation.startswith("tuple[int, int]"):
        return (
            isinstance(value, list)
            and len(value) == 2
            and all(isinstance(x, int) and not isinstance(x, bool) for x in value)
        )
    if annotation.startswith("tuple[str"):
        return isinstance(value, list) and all(isinstance(x, str) for x in value)
    if annotation.startswith("dict[str, str]"):
        return isinstance(value, dict) and all(isinstance(x, str) for x in value.values())
    if annotation.startswith("int"):
        return isinstance(value, int) and not isinstance(value, bool)
    if annotation == "float":
        return isinstance(value, int | float) and not isinstance(value, bool)
    return True
