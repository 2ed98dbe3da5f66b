"""An archive whose own bytes have rotted, made whole again from the board as far as the board still has them.

Looked at are the CRCs of the newest segments here and the digests that chain them. One that is wrong is read
from the board again. What the board has is believed when fewer of its records are damaged, or when the
segment after it bears its digest. The damaged bytes are kept beside the log, in a file that says which
segment they were: nothing is deleted, and whoever changed them on purpose can be asked.
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import NoReturn

from skidboard import records

from skidwright.archive.log_file import SEGMENT, LogWriter, whole_records
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


_ERASED = bytes([records.ERASED])
# Far more than a board holds; beyond that `skidwright check` looks.
_MOST_LOOKED_AT = 4096


@dataclass
class Healing:
    """What was found in the archive: `healed` and `left` hold one plain line for each segment."""

    healed: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


def heal(session: Session, writer: LogWriter, hello: Hello, key: bytes | None = None) -> Healing:
    """Look through the newest segments in the archive, and put right what is wrong here and not on the board.

    `key` is the board's, where its chain is an HMAC. Raises LinkError, PortError, ArchiveError; a healing
    that is broken off leaves each segment as it was or healed.
    """
    return _Healer(session, writer, hello, key).run()


class _Healer:
    def __init__(self, session: Session, writer: LogWriter, hello: Hello, key: bytes | None) -> None:
        self._session = session
        self._writer = writer
        self._hello = hello
        self._key = key
        self._found = Healing()

    def run(self) -> Healing:
        count = -(-self._writer.size // SEGMENT)
        following, following_number = b"", -1
        for index in range(count - 1, max(-1, count - 1 - _MOST_LOOKED_AT), -1):
            block = self._writer.block(index)
            number = self._number(index, block, following_number)
            why = self._wrong(block, number, following)
            if why:
                block = self._mend(index, number, block, following, why)
            if following_number >= 0 and number != following_number - 1:
                self._say_gap(number, following_number)
            following, following_number = block, number
        return self._found

    def _say_gap(self, number: int, following_number: int) -> None:
        """Segments missing in the archive are no loss yet while the board has them."""
        if number >= following_number:
            self._found.left.append(f"the archive's segment {following_number} comes after segment {number}")
            return
        first = max(number + 1, self._hello.segment_first)
        if first >= following_number:
            return
        with contextlib.suppress(Refused):
            if self._session.read(first, 0, records.HEADER_BYTES).total:
                which = f"segment {first} and up to {following_number - 1}"
                self._found.left.append(
                    f"{which} are missing in the archive, and the board has them: pull into another folder"
                )

    def _number(self, index: int, block: bytes, following_number: int) -> int:
        """The segment's number: its header's, or what its neighbours' say when that is damaged."""
        header = parse_header(block)
        if header is not None:
            return header.segment
        if index:
            before = parse_header(self._writer.block(index - 1))
            if before is not None:
                return before.segment + 1
        return following_number - 1 if following_number > 0 else self._hello.segment_last

    def _wrong(self, block: bytes, number: int, following: bytes) -> str:
        """What is wrong with an archived segment, "" when nothing is."""
        header = parse_header(block)
        if header is None:
            return "its header is damaged"
        if (header.device, header.log) != (self._hello.device, self._hello.log):
            return "it belongs to another log"
        slots = damaged_slots(_without_padding(block))
        if slots:
            return f"{len(slots)} of its records are damaged, the first in slot {slots[0]}"
        return "" if self._chained(block, number, following) else "it is not the one the next is chained to"

    def _chained(self, block: bytes, number: int, following: bytes) -> bool:
        """Whether the segment after it bears its digest; True where that cannot be told."""
        after = parse_header(following)
        if after is None or after.segment != number + 1:
            return True
        if after.chain == records.CHAIN_HMAC and self._key is None:
            return True
        key = self._key if after.chain == records.CHAIN_HMAC else None
        return after.previous_digest == segment_digest(block, key)

    def _mend(self, index: int, number: int, block: bytes, following: bytes, why: str) -> bytes:
        """Put the board's segment in place of `block` when it is the better one; what stands there then."""
        if number < self._hello.segment_first:
            return self._leave(block, f"segment {number}: {why}; the board does not have it any more")
        try:
            part = self._session.read(number, 0, SEGMENT)
        except Refused as error:
            return self._leave(block, f"segment {number}: {why}; the board cannot read it ({error.what})")
        is_last = index == -(-self._writer.size // SEGMENT) - 1
        theirs = part.data
        if not is_last or len(block) == SEGMENT:
            theirs += _ERASED * (SEGMENT - len(theirs))
        theirs = theirs[: len(block)]
        if theirs == block:
            # Damaged on the board already when it was pulled: said then, and told by every check.
            return block
        if len(theirs) < len(block):
            return self._leave(block, f"segment {number}: {why}; the board does not have it any more")
        if not self._better(theirs, block, number, following):
            return self._leave(block, f"segment {number}: {why}, and on the board as well, otherwise")
        aside = self._writer.replace(index, theirs, f"segment-{number}")
        self._found.healed.append(
            f"segment {number} had been damaged in the archive ({why}) and was pulled again; "
            f"the damaged bytes are in {aside.name}"
        )
        return theirs

    def _better(self, theirs: bytes, block: bytes, number: int, following: bytes) -> bool:
        header = parse_header(theirs)
        hello = self._hello
        if header is None or (header.device, header.log, header.segment) != (hello.device, hello.log, number):
            return False
        mine = parse_header(block)
        ours = len(damaged_slots(_without_padding(block))) + (0 if mine else 1)
        damaged = len(damaged_slots(_without_padding(theirs)))
        return damaged < ours or (damaged == ours == 0 and self._chained(theirs, number, following))

    def _leave(self, block: bytes, text: str) -> bytes:
        self._found.left.append(f"the archive's {text}")
        return block


def _without_padding(block: bytes) -> bytes:
    return block[: whole_records(block)] if block.endswith(_ERASED) else block
