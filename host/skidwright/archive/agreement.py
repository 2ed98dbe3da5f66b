"""Whether the archive's end and the board's log are one log, found out before anything is written or told.

Device and log are the same when a board's flash was set back to an earlier image and has gone on since, or
when a virtual skid was run again. Inside the open segment no digest guards the records yet, so what is held
of the last one is read again and laid beside the archive's. Where the board does not have all of it any
more, the header of the segment after it has to fit: its digest, and no number given twice.
"""

from __future__ import annotations

from typing import NoReturn

from skidboard import records

from skidwright.archive.log_file import LogWriter, whole_records
from skidwright.errors import ArchiveConflict, Refused
from skidwright.link.replies import Hello
from skidwright.link.session import Session
from skidwright.log.segment_check import Header, damaged_slots, next_seq, parse_header, segment_digest

_HEAD, _RECORD = records.HEADER_BYTES, records.RECORD_BYTES


def check_agreement(session: Session, writer: LogWriter, hello: Hello, key: bytes | None = None) -> None:
    """Raise ArchiveConflict when the archive's log is not the beginning of the board's.

    Only what is sound on both sides is compared: damage of either is for healing.py, or is said and kept.
    Costs one READ of a segment, another of a header at most. `key` is the board's, where its chain is an
    HMAC. Raises LinkError, PortError, ArchiveError besides.
    """
    _Agreement(session, writer, hello, key).check()


class _Agreement:
    def __init__(self, session: Session, writer: LogWriter, hello: Hello, key: bytes | None) -> None:
        self._session = session
        self._writer = writer
        self._hello = hello
        self._key = key

    def check(self) -> None:
        position = self._writer.position()
        if position.empty:
            return
        hello = self._hello
        last = position.segment - (0 if position.offset else 1)
        if last > hello.segment_last or (last == hello.segment_last and position.offset > hello.open_bytes):
            self._refuse(f"the archive holds more of log {hello.log} than the board")
        whole = self._writer.block(-1)
        held = whole[: whole_records(whole)]
        theirs = self._read(last, len(held))
        self._compare(last, held, theirs)
        if theirs != held:
            self._fits_after(last, held, bool(theirs))

    def _read(self, segment: int, length: int) -> bytes:
        """What the board has of a segment; nothing when it was reclaimed or cannot be read."""
        if not self._hello.segment_first <= segment <= self._hello.segment_last:
            return b""
        try:
            return self._session.read(segment, 0, length).data
        except Refused:
            return b""

    def _compare(self, segment: int, held: bytes, theirs: bytes) -> None:
        mine, other = parse_header(held), parse_header(theirs)
        if mine and other and held[:_HEAD] != theirs[:_HEAD]:
            self._differ(f"segment {segment} begins otherwise")
        for slot, at in enumerate(range(_HEAD, min(len(held), len(theirs)), _RECORD)):
            ours, its = held[at : at + _RECORD], theirs[at : at + _RECORD]
            if ours != its and len(its) == len(ours) and records.record_ok(ours) and records.record_ok(its):
                header = mine or other
                number = f"record {header.first_seq + slot}" if header else f"slot {slot}"
                self._differ(f"{number} in segment {segment} is another")

    def _fits_after(self, last: int, held: bytes, compared: bool) -> None:
        """The board has not all that is held: what comes after it must be able to follow it."""
        header = parse_header(held)
        after = max(last + 1, self._hello.segment_first)
        theirs = self._read(after, _HEAD + _RECORD)
        following = parse_header(theirs)
        if header is None or damaged_slots(held) or following is None:
            return
        least = next_seq(held, header)
        if following.first_seq < least:
            self._differ(f"segment {after} begins at number {following.first_seq}, and {least} is held below")
        # What was damaged on the board when it started was left as found: the digest is of that.
        recovered = len(theirs) == _HEAD + _RECORD and theirs[_HEAD] == records.RECOVERED
        if after == last + 1 and not compared and not recovered and not self._chained(following, held):
            self._differ(f"segment {after} is chained to another segment {last}")

    def _chained(self, following: Header, held: bytes) -> bool:
        """Whether a header bears the digest of `held`; True where that cannot be told without the key."""
        if following.chain == records.CHAIN_HMAC and self._key is None:
            return True
        key = self._key if following.chain == records.CHAIN_HMAC else None
        return following.previous_digest == segment_digest(held, key)

    def _differ(self, how: str) -> NoReturn:
        self._refuse(f"board and archive differ in log {self._hello.log} ({how})")

    def _refuse(self, what: str) -> NoReturn:
        raise ArchiveConflict(
            f"{what}: the board's flash was set back, the archive was changed, or this is another run of a "
            "virtual skid",
            str(self._writer.path),
            "move that file away, then pull again",
        )
