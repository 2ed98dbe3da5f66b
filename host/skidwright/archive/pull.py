"""Pulls a board's log into the archive: only what is new, checked before it is written, resumable."""

from __future__ import annotations

import struct
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from skidboard import records

from skidwright.archive import healing, kept_settings
from skidwright.archive.folder import Archive
from skidwright.archive.healing import check_agreement
from skidwright.archive.kept_settings import Thresholds
from skidwright.archive.log_file import SEGMENT, LogWriter, disk_error, whole_records
from skidwright.errors import ArchiveConflict, BadReply, Refused
from skidwright.link.replies import Hello, ReplyPart
from skidwright.link.session import WINDOW, Session, UtcMs, system_utc_ms
from skidwright.log import seal as seals
from skidwright.log.segment_check import next_seq, parse_header, problems

_SYNC_S = 1.0
_MAX_WARNINGS = 200
_C_AT = 36  # of the field `c` in an event record, `d` behind it


@dataclass
class PullSummary:
    """What a pull did. `bytes_moved` counts new bytes of the log.

    `warnings` and `healed` (damage of the archive itself, put right) are one plain line each; `chain` says
    what protects the log, `seal` how far its end is sealed, empty for a board without a key.
    """

    device: str = ""
    log: str = ""
    firmware: str = ""
    boot: int = 0
    segments: int = 0
    records: int = 0
    bytes_moved: int = 0
    bytes_on_wire: int = 0
    segments_missing: int = 0
    healed_bytes: int = 0
    healed: list[str] = field(default_factory=list)
    chain: str = ""
    seal: str = ""
    next_seq: int = 0
    seconds: float = 0.0
    warnings: list[str] = field(default_factory=list)

    def warn(self, text: str) -> None:
        """Add a warning; beyond 200 they are only counted."""
        if len(self.warnings) < _MAX_WARNINGS:
            self.warnings.append(text)
        elif len(self.warnings) == _MAX_WARNINGS:
            self.warnings.append("more like these are not listed")


@dataclass(frozen=True)
class PullProgress:
    """How far a pull is: segments done of all to do, new records and log bytes so far."""

    segments: int
    segments_total: int
    records: int
    bytes_moved: int


def pull(
    session: Session,
    archive: Archive,
    *,
    clock: UtcMs = system_utc_ms,
    progress: Callable[[PullProgress], None] | None = None,
    host: str = "skidwright",
    window: int = WINDOW,
    contact: bool = True,
    key: bytes | None = None,
    thresholds: Thresholds | None = None,
) -> PullSummary:
    """Bring the archive up to date with the board.

    `clock` gives UTC in milliseconds; with `contact` the board is told the
    time (`host` is the text in that record) and afterwards how much is safe
    here. `key` is the board's, where its chain is an HMAC. The board's settings
    are kept with its log, and the `thresholds` by which what is new is to be
    read; None: those kept before go on. Damage that lies on
    the board itself is archived as it is and warned of. Raises ArchiveConflict,
    with the archive untouched, when what is held is not the beginning of the
    board's log; LinkError, PortError, ArchiveError: whatever was written by then stays valid.
    """
    started = time.monotonic()
    hello = session.hello()
    earlier = archive.logs(hello.device)
    with archive.writer(hello.device, hello.log) as writer:
        # Before a contact, too: it tells the board what is safe here.
        check_agreement(session, writer, hello, key)
        run = _Pull(session, writer, hello, key)
        if earlier and hello.log not in earlier:
            run.summary.warn(
                f"the board has begun a new log; what it held of log {earlier[-1]} is gone. If nobody "
                "meant that: `skidwright salvage` finds in its flash what was never pulled"
            )
        run.heal()
        if thresholds is not None:
            # Before what is new comes: whatever an interruption leaves here can be read.
            kept_settings.keep_thresholds(writer.path, run.held_seq(), clock(), thresholds)
        if contact:
            # A pull that was broken off may have left bytes that are not on disk yet.
            writer.sync()
            session.contact(run.held_seq(), clock, host)
            run.renew(session.hello())
        run.fetch(window, progress)
        writer.sync()
        run.keep_settings()
        if run.summary.warnings:
            # What is new may show what is wrong with what was here.
            run.heal()
        run.summary.chain = run.chain()
        run.seal()
        if contact and run.summary.bytes_moved:
            session.acknowledge(run.held_seq())
    run.summary.seconds = time.monotonic() - started
    run.summary.bytes_on_wire = session.bytes_received
    return run.summary


class _Pull:
    """One pull under way: the archive's end, and the segment being put together."""

    def __init__(self, session: Session, writer: LogWriter, hello: Hello, key: bytes | None) -> None:
        self._session = session
        self._writer = writer
        self._hello = hello
        self._key = key
        self._synced = time.monotonic()
        self.summary = PullSummary(hello.device, hello.log, hello.firmware, hello.boot)
        self.summary.healed_bytes = writer.healed_bytes
        self._began_empty = writer.position().empty
        self._look()

    def _look(self) -> None:
        writer = self._writer
        position = writer.position()
        # The archive's last segment: its number, its bytes while unfinished, and the whole one before it.
        self._last = None if position.empty else position.segment - (0 if position.offset else 1)
        self._tail = writer.block(-1) if position.offset else b""
        self._before = writer.block(-2) if position.offset else writer.block(-1)

    def heal(self) -> None:
        """Put right what has rotted in the archive, and say what could not be."""
        found = healing.heal(self._session, self._writer, self._hello, self._key)
        self.summary.healed += found.healed
        for line in found.left:
            if line not in self.summary.warnings:
                self.summary.warn(line)
        if found.healed:
            self._look()

    def keep_settings(self) -> None:
        """Keep the settings that the board has now; those of earlier samples are in its log."""
        try:
            kept_settings.keep_settings(self._writer.path.parent, self._session.settings())
        except (Refused, BadReply, ValueError) as error:
            self.summary.warn(f"the board's settings could not be kept with its log: {error}")

    def chain(self) -> str:
        """What protects the log, by its newest link: plain digests, or the board's key."""
        header = parse_header(self._tail or self._before)
        if header is None:
            return ""
        if header.chain == records.CHAIN_SHA256:
            return "SHA-256 without a key"
        if self._key is None:
            return "HMAC-SHA-256 with the board's key, which is not here (--key), so that it was not tried"
        return "HMAC-SHA-256 with the board's key, and what came was tried with it"

    def seal(self) -> None:
        """Have the board seal the end of what is held, and keep that beside the log."""
        block = self._tail or self._before
        header = parse_header(block)
        if header is None:
            return
        keyed = header.chain == records.CHAIN_HMAC
        try:
            raw = self._session.seal(self._hello, header.segment, whole_records(block))
        except Refused as refusal:
            if keyed:
                self.summary.seal = f"not sealed: {refusal.what}"
            return
        seal = seals.parse(raw)
        if seal is None:
            self.summary.warn("the board's seal is none, so that it is not kept")
            return
        if self._key is not None and not seal.fits(block, self._key):
            self.summary.seal = "not sealed"
            self.summary.warn(
                "the board's seal over its newest records does not fit the key given: either it is another "
                "board's or an older key (--key), or somebody stands between; the seal is not kept"
            )
            return
        try:
            seals.keep(self._writer.path, seal, anew=self._began_empty)
        except OSError as error:
            raise disk_error(error, seals.path_beside(self._writer.path)) from None
        state = seals.HOLDS if self._key is not None else seals.NOT_TRIED
        self.summary.seal = str(seals.SealState(state, seal.end(header.first_seq) - 1, -1))

    def held_seq(self) -> int:
        """All records below this number are in the archive."""
        block = self._tail or self._before
        header = parse_header(block)
        return next_seq(block[: whole_records(block)], header) if header else 0

    def renew(self, hello: Hello) -> None:
        """Take a later HELLO: the log has grown, by the contact at least."""
        if (hello.device, hello.log) != (self._hello.device, self._hello.log):
            raise ArchiveConflict(
                "another board or log answers than a moment ago", self._session.where, "repeat the pull"
            )
        self._hello = hello

    def fetch(self, window: int, progress: Callable[[PullProgress], None] | None) -> None:
        """Read all that is new and write it, segment by segment."""
        hello, summary = self._hello, self.summary
        first = hello.segment_first
        if self._last is not None:
            wanted = self._last if self._tail else self._last + 1
            if first > wanted:
                summary.segments_missing += first - wanted
                summary.warn(
                    f"{first - wanted} segments up to {first - 1} were reclaimed before they were pulled"
                )
            first = max(first, wanted)
        jobs = [(n, self._offset(n), SEGMENT - self._offset(n)) for n in range(first, hello.segment_last + 1)]
        parts = self._session.read_ahead(jobs, window)
        for done, ((segment, offset, _), part) in enumerate(zip(jobs, parts, strict=True), 1):
            if isinstance(part, Refused):
                summary.warn(f"segment {segment} left out: {part.what}")
                summary.segments_missing += 1
            else:
                self._take(segment, offset, part)
            if progress is not None:
                progress(PullProgress(done, len(jobs), summary.records, summary.bytes_moved))
        summary.next_seq = self.held_seq()

    def _offset(self, segment: int) -> int:
        return len(self._tail) if segment == self._last else 0

    def _take(self, segment: int, offset: int, part: ReplyPart) -> None:
        """Check one segment, or the rest of one, and write it."""
        if part.total == 0:
            self.summary.segments_missing += 1
            self.summary.warn(f"segment {segment} is missing on the board")
            return
        if offset == 0:
            self._close_tail()
        sealed = part.sealed or segment < self._hello.segment_last
        block = self._assemble(offset, part, sealed)
        wrong = self._problems(segment, block)
        if wrong:
            # Once more, in case it was damaged on the way and slipped through.
            again = self._assemble(offset, self._session.read(segment, offset, SEGMENT - offset), sealed)
            if again != block:
                block = again
                wrong = self._problems(segment, block)
        if not self._placed(segment, block, sealed):
            self.summary.segments_missing += 1
            self.summary.warn(
                f"segment {segment} left out: {wrong[0] if wrong else 'its place is not certain'}"
            )
            return
        for text in wrong:
            self.summary.warn(f"segment {segment}: {text}; archived as it is on the board")
        self._commit(segment, block, offset, sealed)

    def _assemble(self, offset: int, part: ReplyPart, sealed: bool) -> bytes:
        block = self._tail + part.data if offset else part.data
        return block if sealed else block[: max(offset, whole_records(block))]

    def _problems(self, segment: int, block: bytes) -> list[str]:
        before = self._before if self._tail or self._last == segment - 1 else b""
        return problems(block, self._hello.device, self._hello.log, segment, before, self._key)

    def _placed(self, segment: int, block: bytes, sealed: bool) -> bool:
        """Whether the archive's readers will know which segment this is."""
        header = parse_header(block)
        if header is None:
            return sealed and self._last in (segment - 1, segment)
        hello = self._hello
        return (header.device, header.log, header.segment) == (hello.device, hello.log, segment)

    def _close_tail(self) -> None:
        if self._tail:
            self._writer.append(b"", sealed=True)
            self._before, self._tail = self._writer.block(-1), b""

    def _commit(self, segment: int, block: bytes, offset: int, sealed: bool) -> None:
        new = block[offset:]
        for text in _lost_ends(new, 0 if offset else records.HEADER_BYTES):
            self.summary.warn(f"segment {segment}: {text}")
        if new or sealed:
            self._writer.append(new, sealed)
        summary = self.summary
        summary.segments += 1 if new else 0
        summary.bytes_moved += len(new)
        summary.records += -(-(len(new) - (0 if offset else records.HEADER_BYTES)) // records.RECORD_BYTES)
        self._last = segment
        self._tail = b"" if sealed else block
        if sealed:
            self._before = block + bytes([records.ERASED]) * (SEGMENT - len(block))
        if time.monotonic() - self._synced > _SYNC_S:
            self._writer.sync()
            self._synced = time.monotonic()


def _lost_ends(new: bytes, at: int) -> list[str]:
    """What new records, the first at byte `at`, say of an end of the log that the board lost in its flash."""
    found = []
    for start in range(at, len(new) - records.RECORD_BYTES + 1, records.RECORD_BYTES):
        record = new[start : start + records.RECORD_BYTES]
        if record[0] == records.RECOVERED and records.record_ok(record):
            first, following = struct.unpack_from("<II", record, _C_AT)
            if first < following:
                found.append(
                    f"the board says that records {first} to {following - 1}, which it had stored, were lost "
                    "in its flash; what an archive holds of them is all there is"
                )
    return found
