"""Records of a log that nobody can read any more, and whether they may be newer than a sample.

A damaged or lost record may have been a sample of any asset. So whatever rests on an asset's newest samples
must know of those that were written at or after the oldest of them. What is cut off whole behind the last
record leaves no trace in a log and is not found here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log.blocks import SEGMENT, Source, aligned_runs, header_view, headers_ok, slot_view
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import History

REMEDY = (
    "pull again (`skidwright pull PORT`), which heals the archive from the board; where the board has lost "
    "them too, take new samples"
)
Blocks = NDArray[np.uint8]
_AT_A_TIME = 256
_SHOWN = 3
_ERASED_RECORD = bytes([records.ERASED]) * records.RECORD_BYTES


@dataclass(frozen=True)
class Unread:
    """A stretch of the log `path` that cannot be read or believed; its numbers lie above `after_seq`.

    `last_seq` is the highest number it can hold, None where the log ends with it. Written between two
    moments (UTC in ms, None unknown). `words` say what it is.
    """

    path: Path
    after_seq: int
    last_seq: int | None
    earliest_utc_ms: int | None
    latest_utc_ms: int | None
    words: str

    def __str__(self) -> str:
        return self.words


# A log is gone through for its damage once, however many assets are judged.
_FOUND: WeakKeyDictionary[Assessment, list[Unread]] = WeakKeyDictionary()


def unread(log: Assessment) -> list[Unread]:
    """All that cannot be read or believed of a log, in order of numbers. Raises OSError."""
    if log.report.ok:
        return []
    if log not in _FOUND:
        _FOUND[log] = _find(log)
    return _FOUND[log]


def _find(log: Assessment) -> list[Unread]:
    found = [
        Unread(
            log.path, loss.first_seq - 1, loss.last_seq, loss.earliest_utc_ms, loss.latest_utc_ms,
            f"{_numbers(loss.first_seq, loss.last_seq)} damaged or missing, written between "
            f"{_moment(loss.earliest_utc_ms)} and {_moment(loss.latest_utc_ms)}",
        )
        for loss in log.losses
    ]  # fmt: skip
    found += _changed(log)
    found += _tail(log)
    return sorted(found, key=lambda one: one.after_seq)


def since(history: History, row: int, logs: Sequence[Assessment]) -> list[Unread]:
    """What may have been written at or after sample `row` of the history. Raises OSError.

    `logs` are all that are known; looked at are those of the boards that have sampled the asset.
    """
    error_ms = int(history.utc_error_ms[row])
    begun_ms = None if error_ms == UNBOUNDED_MS else _known(int(history.utc_ms[row]))
    boards = {log.path.parent.name for log in history.logs}
    looked_at = [log for log in logs if log.path.parent.name in boards]
    earliest_ms = None if begun_ms is None else begun_ms - error_ms
    return after(looked_at, history.log_path(row), int(history.seq[row]), earliest_ms)


def after(logs: Sequence[Assessment], path: Path, seq: int, utc_ms: int | None) -> list[Unread]:
    """What may have been written after record `seq` of the log `path`, which was at or after `utc_ms`.

    Without a known time everything in the other logs may be later. Raises OSError.
    """
    found = []
    for log in logs:
        damage = unread(log)
        ended_ms = _replaced_ms(log, logs) if damage else None
        for one in damage:
            if log.path == path:
                newer = one.last_seq is None or one.last_seq > seq
            else:
                known = [ms for ms in (one.latest_utc_ms, ended_ms) if ms is not None]
                newer = utc_ms is None or not known or min(known) >= utc_ms
            if newer:
                found.append(one if len(logs) == 1 else replace(one, words=f"{_name(log.path)}: {one.words}"))
    return found


def listed(found: Sequence[Unread]) -> list[str]:
    """A line each, of many the newest few and how many more there are."""
    lines = [str(one) for one in found[-_SHOWN:]]
    if len(found) > len(lines):
        lines.append(f"and {len(found) - len(lines)} such stretches before: `skidwright check` says where")
    return lines


def _known(utc_ms: int) -> int | None:
    return None if utc_ms == UNKNOWN_UTC_MS else utc_ms


def _replaced_ms(log: Assessment, logs: Sequence[Assessment]) -> int | None:
    """When the board began a log after this one: nothing later can stand in it. None if it began none."""
    ends = [ms for ms in log.boot_ends().values() if ms != UNKNOWN_UTC_MS]
    begins = [
        min(contact.utc_ms for contact in other.timeline.contacts)
        for other in logs
        if other.path != log.path and other.path.parent == log.path.parent and other.timeline.contacts
    ]
    later = [ms for ms in begins if ends and ms > max(ends)]
    return min(later) if later else None


def _changed(log: Assessment) -> list[Unread]:
    """Segments whose bytes are not those that the next one was chained to."""
    broken = log.chain.broken_segments
    found: list[Unread] = []
    if not broken:
        return found
    before, begun = -1, 0
    with log.path.open("rb") as file:
        for _, raw, is_log in aligned_runs(Source(file), _AT_A_TIME * SEGMENT):
            if not is_log:
                continue
            blocks = _whole(raw)
            headers = header_view(blocks)
            for i in np.flatnonzero(headers_ok(blocks.reshape(-1).data)).tolist():
                number, first = int(headers["segment"][i]), int(headers["first_seq"][i])
                if number - 1 in broken:
                    start = begun if before == number - 1 else max(first - records.SLOTS, 0)
                    which = f"segment {number - 1} (records {start} to {first - 1})"
                    words = f"{which} was changed after it was written"
                    found.append(Unread(log.path, start - 1, first - 1, None, None, words))
                before, begun = number, first
    return found


def _tail(log: Assessment) -> list[Unread]:
    """What is damaged behind the last record that can be read: no later number tells that it is missing."""
    damaged, strange, last = 0, 0, None
    with log.path.open("rb") as file:
        source = Source(file)
        runs = [(at, len(raw), is_log) for at, raw, is_log in aligned_runs(source, _AT_A_TIME * SEGMENT)]
        for at, size, is_log in reversed(runs):
            if not is_log:
                strange += size
                continue
            more, last = _behind(_whole(source.read(at, size)), log)
            damaged += more
            if last is not None:
                break
    if not damaged and not strange:
        return []
    after, earliest_ms, where = -1, None, "in a log without any record that can be read"
    if last is not None:
        after = int(last["seq"])
        where = f"after record {after}"
        boot, uptime = np.array([last["boot"]], np.int64), np.array([last["uptime_ms"]], np.uint64)
        utc_ms, error_ms = log.timeline.utc(boot, uptime)
        if utc_ms[0] != UNKNOWN_UTC_MS and error_ms[0] != UNBOUNDED_MS:
            earliest_ms = int(utc_ms[0] - error_ms[0])
    parts = [f"{damaged:,} damaged record{'s' if damaged > 1 else ''}"] if damaged else []
    parts += [f"{strange:,} bytes of no segment"] if strange else []
    words = f"{' and '.join(parts)} at the log's end, {where}, written after {_moment(earliest_ms)}"
    return [Unread(log.path, after, None, earliest_ms, None, words)]


def _behind(blocks: Blocks, log: Assessment) -> tuple[int, np.void | None]:
    """How many slots are damaged behind the last good record of some segments, and that record if any."""
    damaged = 0
    slots, headers = slot_view(blocks), header_view(blocks)
    sound = headers_ok(blocks.reshape(-1).data)
    for i in range(len(blocks) - 1, -1, -1):
        device, number = headers["device"][i].tobytes(), int(headers["log"][i])
        own = not sound[i] or (log.device or device, log.log if log.log is not None else number) == (
            device,
            number,
        )
        for k in range(records.SLOTS - 1, -1, -1):
            slot = slots[i, k].tobytes()
            if slot == _ERASED_RECORD:
                continue
            if own and records.record_ok(slot):
                return damaged, slots[i, k]
            damaged += 1
    return damaged, None


def _whole(raw: NDArray[np.uint8]) -> Blocks:
    """A run as whole segments; a short last one is padded, so that an unfinished record is a damaged one."""
    if len(raw) % SEGMENT:
        padded = np.full(len(raw) + -len(raw) % SEGMENT, records.ERASED, np.uint8)
        padded[: len(raw)] = raw
        raw = padded
    return raw.reshape(-1, SEGMENT)


def _name(path: Path) -> str:
    return f"log {path.parent.name}/{path.stem}"


def _numbers(first: int, last: int) -> str:
    return f"record {first} is" if first == last else f"records {first} to {last} are"


def _moment(utc_ms: int | None) -> str:
    return "a time not known" if utc_ms is None else f"{np.datetime64(utc_ms // 1000, 's')}Z"
