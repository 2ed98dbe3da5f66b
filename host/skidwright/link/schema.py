"""What the fields of STATUS and SETTINGS may be, ahead of every command that shows or reckons with them.

A field of another type is no field of a skid's, and the answer is refused with its name: half of it could be
as wrong. Fields that this version does not know pass as plain values, so that a newer board can be talked to;
one that an older board does not send is missed by whoever needs it, in one line too.
"""

from collections.abc import Callable, Mapping
from typing import Any

from skidboard import settings

from skidwright.errors import BadReply

_REMEDY = "repeat; if it persists, reinstall with `skidwright install`"
_BITS = 53  # beyond these, numbers in JSON differ from reader to reader; the board's are milliseconds at most


def _number(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and abs(value) < 1 << _BITS


def _count(value: Any) -> bool:
    return _number(value) and value >= 0


def _yes_or_no(value: Any) -> bool:
    return isinstance(value, bool)


def _word(value: Any) -> bool:
    return isinstance(value, str)


def _counts(n: int) -> Callable[[Any], bool]:
    return lambda value: isinstance(value, list) and len(value) == n and all(map(_count, value))


def _words(value: Any) -> bool:
    return isinstance(value, list) and all(map(_word, value))


def _run(value: Any) -> bool:
    return isinstance(value, dict) and all(
        kind(value[name]) for name, kind in CLEANUP.items() if name in value
    )


CLEANUP: dict[str, Callable[[Any], bool]] = {
    "running": _yes_or_no, "asset": _count, "in_row": _count, "valid": _count, "samples": _count,
    "run_s": _count, "output": _yes_or_no, "ended": _count,
}  # fmt: skip
STATUS: dict[str, Callable[[Any], bool]] = {
    "state": _word, "state_ms": _number, "faults": _words, "asset": _number, "run": _number,
    "flow_ul_s": _number, "set_ul_s": _number, "in_band": _yes_or_no, "duty_permille": _number,
    "pump_rpm": _number, "by_hand": _yes_or_no, "counts": _counts(6), "volume_ul": _number,
    "sample_volume_ul": _number, "purged_ul": _number, "water_ua": _number, "water_cpct": _number,
    "water_state": _count, "temp_cdeg": _number, "temp_state": _count, "cleanup": _run, "uptime_ms": _count,
    "boot": _count, "next_sample_s": _number, "samples": _count, "stored": _yes_or_no,
    "log_segments": _count, "log_segments_max": _count, "stored_seq": _count, "next_seq": _count,
    "records_lost": _count, "log_keyed": _yes_or_no, "settings_crc": _count, "edges": _counts(7),
    "tacho_edges": _count, "inputs": _count, "temp_ua": _number, "temp_ohm": _number,
}  # fmt: skip


class Told(dict[str, Any]):
    """A table that a board sent: to ask it by `[name]` for what the board left out raises BadReply."""

    def __init__(self, table: Mapping[str, Any], where: str) -> None:
        super().__init__(table)
        self._where = where

    def __missing__(self, name: str) -> Any:
        raise BadReply(f"the board does not say {name}", self._where, "update it with `skidwright install`")


def told_status(table: Mapping[str, Any], where: str) -> Told:
    """A STATUS reply whose known fields are of the right type. Raises BadReply."""
    for name, kind in STATUS.items():
        if name in table and not kind(table[name]):
            raise BadReply(
                f"the board sent a status in which {name} is not what it should be", where, _REMEDY
            )
    return Told(table, where)


def told_settings(table: Mapping[str, Any], where: str) -> Told:
    """A SETTINGS reply whose known settings are allowed ones. Raises BadReply."""
    known = [*settings.defaults()]
    for name in known:
        problem = settings.check(name, table[name]) if name in table else None
        if problem:
            raise BadReply(f"the board sent settings that no skid has ({problem})", where, _REMEDY)
    return Told(table, where)
