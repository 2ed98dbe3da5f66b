"""What a board may answer: the gate that each answer passes, and the answers as plain values."""

from __future__ import annotations

import json
import math
import re
import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, NoReturn

from skidboard import records, settings
from skidboard.link import PROTOCOL
from skidboard.trace import ROW_BYTES, ROW_FORMAT, ROWS

from skidwright import __version__
from skidwright.errors import BadReply, ProtocolMismatch

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


class BoardAnswer(dict[str, Any]):
    """A table that a board sent: to ask it by `[name]` for what the board left out raises BadReply."""

    def __init__(self, table: Mapping[str, Any], where: str) -> None:
        super().__init__(table)
        self._where = where

    def __missing__(self, name: str) -> Any:
        raise BadReply(f"the board does not say {name}", self._where, "update it with `skidwright install`")


def told_status(table: Mapping[str, Any], where: str) -> BoardAnswer:
    """A STATUS reply whose known fields are of the right type. Raises BadReply."""
    for name, kind in STATUS.items():
        if name in table and not kind(table[name]):
            raise BadReply(
                f"the board sent a status in which {name} is not what it should be", where, _REMEDY
            )
    return BoardAnswer(table, where)


def told_settings(table: Mapping[str, Any], where: str) -> BoardAnswer:
    """A SETTINGS reply whose known settings are allowed ones. Raises BadReply."""
    known = [*settings.defaults()]
    for name in known:
        problem = settings.check(name, table[name]) if name in table else None
        if problem:
            raise BadReply(f"the board sent settings that no skid has ({problem})", where, _REMEDY)
    return BoardAnswer(table, where)


MAX_SEGMENT = 0x3FFFFFFF
# A log of more segments than this (1 GB) is none of a board's.
MAX_SEGMENTS_HELD = 1 << 18
_MAX_TEXT = 200
_READ_HEAD = struct.Struct("<IHHB")
_CONTACT_REPLY = struct.Struct("<IQ")
_TRACE_HEAD = struct.Struct("<II")


@dataclass(frozen=True)
class Hello:
    """Who the board is and what its log holds. `device` is 16 hexadecimal digits, `log` 8."""

    protocol: int
    firmware: str
    layout: int
    device: str
    log: str
    boot: int
    uptime_ms: int
    segment_first: int
    segment_last: int
    open_bytes: int
    next_seq: int
    stored_seq: int


@dataclass(frozen=True)
class ReplyPart:
    """A stretch of a segment: `data` from `offset`, `total` bytes in it now, more to come unless `sealed`."""

    segment: int
    offset: int
    total: int
    sealed: bool
    data: bytes


def parse_hello(body: bytes, where: str) -> Hello:
    """A HELLO reply. Raises ProtocolMismatch for another version, BadReply for anything that cannot be."""
    table = parse_table(body, where)
    protocol = _int(table, "protocol", 0, 65535, where)
    firmware = _text(table.get("firmware"))
    if protocol != PROTOCOL:
        _mismatch(f"protocol {protocol}", f"protocol {PROTOCOL}", protocol < PROTOCOL, firmware, where)
    layout = _int(table, "layout", 0, 255, where)
    if layout not in records.LAYOUTS:
        _mismatch(
            f"log layout {layout}", f"layout {records.LAYOUT}", layout < records.LAYOUT, firmware, where
        )
    hello = Hello(
        protocol=protocol,
        firmware=firmware,
        layout=layout,
        device=_hex(table, "device", 16, where),
        log=_hex(table, "log", 8, where),
        boot=_int(table, "boot", 0, 65535, where),
        uptime_ms=_int(table, "uptime_ms", 0, (1 << 63) - 1, where),
        segment_first=_int(table, "segment_first", 0, MAX_SEGMENT, where),
        segment_last=_int(table, "segment_last", 0, MAX_SEGMENT, where),
        open_bytes=_int(table, "open_bytes", 0, records.SEGMENT_BYTES, where),
        next_seq=_int(table, "next_seq", 0, 0xFFFFFFFF, where),
        stored_seq=_int(table, "stored_seq", 0, 0xFFFFFFFF, where),
    )
    if not 0 <= hello.segment_last - hello.segment_first + 1 <= MAX_SEGMENTS_HELD:
        raise _bad(f"a log from segment {hello.segment_first} to {hello.segment_last}", where)
    return hello


def parse_part(body: bytes, segment: int, offset: int, length: int, where: str) -> ReplyPart:
    """A READ reply to (`segment`, `offset`, `length`). Raises BadReply when it does not fit the question."""
    if len(body) < _READ_HEAD.size:
        raise _bad("a READ reply too short", where)
    got_segment, got_offset, total, sealed = _READ_HEAD.unpack_from(body)
    data = body[_READ_HEAD.size :]
    fits = got_segment == segment and got_offset == offset and total <= records.SEGMENT_BYTES and sealed <= 1
    if not fits or len(data) != max(0, min(length, total - offset)):
        raise _bad(f"a READ reply that does not fit segment {segment} offset {offset}", where)
    return ReplyPart(segment, offset, total, bool(sealed), data)


def parse_contact(body: bytes, where: str) -> tuple[int, int]:
    """A CONTACT reply: (sequence number, uptime in ms)."""
    if len(body) != _CONTACT_REPLY.size:
        raise _bad("a CONTACT reply of the wrong length", where)
    seq, uptime_ms = _CONTACT_REPLY.unpack(body)
    return seq, uptime_ms


def parse_trace(body: bytes, where: str) -> tuple[int, int, list[tuple[int, int, int, int, int]]]:
    """A TRACE reply: number of the first row, number of the row to come, rows as in skidboard.trace."""
    n, rest = divmod(len(body) - _TRACE_HEAD.size, ROW_BYTES)
    if rest or not 0 <= n <= ROWS:
        raise _bad("a TRACE reply of the wrong length", where)
    first, to_come = _TRACE_HEAD.unpack_from(body)
    rows = struct.iter_unpack(ROW_FORMAT, body[_TRACE_HEAD.size :])
    return first, to_come, [(t, edge, count, flow, duty) for t, edge, count, flow, duty in rows]


def parse_seal(body: bytes, hello: Hello, segment: int, covered: int, nonce: bytes, where: str) -> bytes:
    """A SEAL reply to (`segment`, `covered`, `nonce`), as it came; its MAC is not tried. Raises BadReply."""
    if len(body) != records.SEAL_BYTES:
        raise _bad("a SEAL reply of the wrong length", where)
    label, device, log, its_segment, its_covered, _, _, _, its_nonce = struct.unpack_from(
        records.SEAL_FORMAT, body
    )
    mine = (records.SEAL_LABEL, hello.device, hello.log, segment, covered, nonce)
    if (label, device.hex(), f"{log:08x}", its_segment, its_covered, its_nonce) != mine:
        raise _bad(f"a seal that is not the one asked for, over segment {segment}", where)
    return body


def parse_table(body: bytes, where: str) -> dict[str, Any]:
    """A JSON object of plain values and small lists and tables; texts cut, without control characters."""
    try:
        table = json.loads(body.decode("utf-8"), parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise _bad("an answer that is not JSON", where) from None
    if not isinstance(table, dict):
        raise _bad("an answer that is not a table", where)
    return {_text(name): _value(value, where) for name, value in table.items()}


def _no_constant(name: str) -> NoReturn:
    raise ValueError(name)


def _value(value: Any, where: str, depth: int = 0) -> Any:
    if isinstance(value, str):
        return _text(value)
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, float) and math.isfinite(value):  # 1e999 is JSON, and infinite
        return value
    if isinstance(value, int) and abs(value) < 1 << 64:
        return value
    if isinstance(value, list) and depth < 2:
        return [_value(item, where, depth + 1) for item in value]
    if isinstance(value, dict) and depth < 2:
        return {_text(name): _value(item, where, depth + 1) for name, item in value.items()}
    raise _bad("an answer with something in it that no skid says", where)


def _text(value: Any) -> str:
    text = value[:_MAX_TEXT] if isinstance(value, str) else ""
    return "".join(c if c.isprintable() else "?" for c in text)


def clean_text(raw: bytes) -> str:
    """One printable line out of bytes from a board."""
    return _text(raw[: 4 * _MAX_TEXT].decode("utf-8", "replace"))


def _int(table: dict[str, Any], name: str, low: int, high: int, where: str) -> int:
    value = table.get(name)
    if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
        raise _bad(f"no proper {name}", where)
    return value


def _hex(table: dict[str, Any], name: str, digits: int, where: str) -> str:
    value = table.get(name)
    if not isinstance(value, str) or not re.fullmatch(f"[0-9a-f]{{{digits}}}", value):
        raise _bad(f"no proper {name}", where)
    return value


def _mismatch(board: str, host: str, board_older: bool, firmware: str, where: str) -> NoReturn:
    what = (
        f"the board speaks {board} (skidboard {firmware or '?'}), this is {host} (skidwright {__version__})"
    )
    remedy = f"update the board: `skidwright install {where}`" if board_older else "update skidwright"
    raise ProtocolMismatch(what, where, remedy)


def _bad(what: str, where: str) -> BadReply:
    return BadReply(
        f"the board sent {what}", where, "repeat; if it persists, reinstall with `skidwright install`"
    )
