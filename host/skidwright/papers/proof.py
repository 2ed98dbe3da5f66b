"""What a paper rests on: the bytes of its segments, and whether chain or seal proves them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.errors import PaperError
from skidwright.log import seal as seals
from skidwright.log.blocks import SEGMENT, Source, aligned_runs, header_view, headers_ok, slot_view
from skidwright.log.chain import ChainResult

_AT_A_TIME = 256


@dataclass(frozen=True)
class SegmentDigest:
    """One segment of a log: its number, how many of its bytes, and their SHA-256 in hexadecimal."""

    segment: int
    bytes: int
    sha256: str


def of_samples(path: Path, seqs: Iterable[int]) -> tuple[SegmentDigest, ...]:
    """The segments of the log at `path` in which those records stand, in the order of the file.

    Raises OSError when it cannot be read, ValueError when a record is not in a sound segment.
    """
    wanted = np.array(sorted(set(seqs)), np.uint32)
    found: list[SegmentDigest] = []
    seen: set[int] = set()
    for number, block in _segments(path):
        whole = np.zeros((1, SEGMENT), np.uint8)
        whole[0, : len(block)] = np.frombuffer(block, np.uint8)
        here = np.isin(slot_view(whole)[0]["seq"], wanted)
        here &= np.array([records.record_ok(_slot(whole, k)) for k in range(records.SLOTS)])
        if here.any():
            end = records.HEADER_BYTES + (int(np.flatnonzero(here)[-1]) + 1) * records.RECORD_BYTES
            found.append(SegmentDigest(number, end, hashlib.sha256(block[:end]).hexdigest()))
            seen.update(slot_view(whole)[0]["seq"][here].tolist())
    missing = set(wanted.tolist()) - seen
    if missing:
        raise ValueError(f"record {min(missing)} is in no sound segment of {path}")
    return tuple(found)


def check(path: Path, digests: Iterable[SegmentDigest]) -> list[str]:
    """What of `digests` the log at `path` does not prove, a line each. Raises OSError."""
    wanted = {digest.segment: digest for digest in digests}
    wrong = []
    for number, block in _segments(path):
        digest = wanted.get(number)
        if digest is None:
            continue
        if hashlib.sha256(block[: digest.bytes]).hexdigest() != digest.sha256:
            wrong.append(f"segment {number} of the log is not what it was when the paper was issued")
        del wanted[number]
    return wrong + [f"segment {number} is not in the log" for number in wanted]


def _segments(path: Path) -> Iterable[tuple[int, bytes]]:
    """Number and bytes of each segment with a sound header; the first one of each number."""
    told = set()
    with path.open("rb") as file:
        for _, raw, is_log in aligned_runs(Source(file), _AT_A_TIME * SEGMENT):
            if not is_log:
                continue
            padded = np.full(len(raw) + -len(raw) % SEGMENT, records.ERASED, np.uint8)
            padded[: len(raw)] = raw
            blocks = padded.reshape(-1, SEGMENT)
            numbers = header_view(blocks)["segment"].tolist()
            for place, sound in enumerate(headers_ok(padded.data).tolist()):
                if sound and numbers[place] not in told:
                    told.add(numbers[place])
                    yield numbers[place], raw[place * SEGMENT : (place + 1) * SEGMENT].tobytes()


def _slot(whole: np.ndarray[tuple[int, int], np.dtype[np.uint8]], slot: int) -> bytes:
    start = records.HEADER_BYTES + slot * records.RECORD_BYTES
    return whole[0, start : start + records.RECORD_BYTES].tobytes()


if TYPE_CHECKING:
    from skidwright.samples.assessment import Assessment
    from skidwright.samples.history import History

PROVEN, NO_KEY, UNTRIED, WRONG_KEY, NOT_COVERED, UNCHAINED = range(6)

# What a paper states of a log. Nothing else is issued.
STATED = {
    PROVEN: (
        "HMAC-SHA-256 with the board's key, tried when this paper was issued: nobody without the key can "
        "have changed these records unseen"
    ),
    NO_KEY: (
        "checksums and plain SHA-256, no key: damage and single edits show. That nobody who had the archive "
        "in hand wrote the log anew is not proven; another copy of it, or the board itself, can show that"
    ),
}
# How papers began that were issued before.
_EARLIER = ("HMAC-SHA-256, ", "SHA-256 without a key", "CRC-32 only")
_REMEDY = {
    UNTRIED: "give the board's key (--key)",
    WRONG_KEY: "give the board's own key (--key); if this is it, compare the log with the board's",
    NOT_COVERED: "pull again: a board that has its key seals its newest records; then repeat",
    UNCHAINED: "compare it with the board's own log; pull again into a new archive",
}


def state(chain: ChainResult, seqs: Iterable[int]) -> int:
    """How far the records `seqs` of a log are proven: one of the constants above."""
    if not chain.says_keyed:
        return UNCHAINED if chain.key_given else NO_KEY
    if not chain.key_given:
        return UNTRIED
    if chain.wrong_key:
        return WRONG_KEY
    return PROVEN if all(chain.proves(seq, seq) for seq in seqs) else NOT_COVERED


def words(chain: ChainResult, seqs: Iterable[int]) -> str:
    """What the state comes to, in a clause."""
    seqs = list(seqs)
    found = state(chain, seqs)
    if found in STATED:
        return STATED[found]
    if found == UNTRIED:
        return (
            "it is chained with a key that is not here, so the chain was NOT tried and nobody can tell "
            "whether these records are the board's"
        )
    if found == WRONG_KEY:
        return "no link of its chain holds with the key given: another key, or a log that was made anew"
    if found == UNCHAINED:
        return "there is a key for this board, and the log is not chained with it: anybody may have made it"
    bare = [seq for seq in seqs if not chain.proves(seq, seq)]
    newest = f" ({chain.seal})" if chain.seal.state != seals.NOT_SEALED else ""
    which = f"record {bare[0]}" + (f" and {len(bare) - 1} more" if len(bare) > 1 else "")
    return (
        f"no link of the chain and no seal that holds with the key covers {which}{newest}: anybody may have "
        "written that"
    )


def refusals(history: History, rows: Sequence[int] | NDArray[np.intp]) -> list[str]:
    """Why a paper cannot rest on some rows of a history, a line for each log; none where it can."""
    by_log: dict[int, list[int]] = {}
    for row in rows:
        by_log.setdefault(int(history.which_log[row]), []).append(int(history.seq[row]))
    found = []
    for place, seqs in by_log.items():
        log = history.logs[place]
        name = f"log {log.path.parent.name}/{log.path.stem}"
        how = state(log.chain, seqs)
        if how in _REMEDY:
            found.append(f"{name}: {words(log.chain, seqs)}; {_REMEDY[how]}")
        found += [f"{name}: {line}" for line in changed_since(log, seqs)]
    return found


def changed_since(log: Assessment, seqs: Iterable[int]) -> list[str]:
    """Where chain or seals do not hold at or behind the first of some records, a line each.

    What was changed there may have been a newer sample of the same machine. Raises OSError.
    """
    if log.chain.ok:
        return []
    try:
        first = min(digest.segment for digest in of_samples(log.path, seqs))
    except ValueError:
        first = -1
    return [str(one) for one in log.chain.findings if one.segment >= first]


def stated_of(log: Assessment, seqs: Iterable[int]) -> str:
    """What a paper states of the protection of a log's records. Raises PaperError where none is issued."""
    seqs = list(seqs)
    found = state(log.chain, seqs)
    if found in _REMEDY:
        raise PaperError(f"{log.path}: {words(log.chain, seqs)}", "not issued", _REMEDY[found])
    changed = changed_since(log, seqs)
    if changed:
        raise PaperError(f"{log.path}: {changed[0]}", "not issued", _REMEDY[UNCHAINED])
    return STATED[found]


def refuse_wrong_key(logs: Iterable[Assessment]) -> None:
    """Raise PaperError where a key does not fit at all: more samples would not help."""
    for log in logs:
        if log.chain.says_keyed and log.chain.wrong_key:
            raise PaperError(words(log.chain, ()), str(log.path), _REMEDY[WRONG_KEY])


def verified(log: Assessment, seqs: Sequence[int], stated: str) -> tuple[list[str], list[str], list[str]]:
    """What holds, what speaks against a paper and what stays open of a log's protection, a line each.

    `stated` is what the paper says of it. Papers issued before it said one of STATED say it in words of
    theirs, which are left open.
    """
    name = f"log {log.path.parent.name}/{log.path.stem}"
    found, clause = state(log.chain, seqs), words(log.chain, seqs)
    line = f"{name}: {clause}"
    holds, against, left_open = [], [f"{name}: {change}" for change in changed_since(log, seqs)], []
    if found == PROVEN:
        holds.append(f"{name}: the board's key was tried on these records: {STATED[PROVEN].split(': ')[1]}")
    elif found in (WRONG_KEY, NOT_COVERED, UNCHAINED):
        against.append(line)
    else:
        left_open.append(line if found == UNTRIED else f"{name} is protected by {clause}")
    if stated == STATED[PROVEN] and found == NO_KEY:
        against.append(f"{name}: the paper says that it is chained with a key, and it is not")
    elif stated == STATED[NO_KEY] and found not in (NO_KEY, UNCHAINED):
        against.append(f"{name}: the paper says that it has no key, and it is chained with one")
    elif stated not in STATED.values() and not stated.startswith(_EARLIER):
        against.append(f"{name}: what the paper says of its protection is nothing that skidwright says")
    elif stated not in STATED.values():
        left_open.append(f"{name}: what the paper says of its protection is its own word")
    return holds, against, left_open
