"""What is wrong with a log, and where: findings, their totals, and the chain of digests.

A finding never removes anything; it says which bytes are not to be believed.
"""

import hashlib
import hmac
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from skidboard import records

# Kinds of finding, with what each says to a reader.
DAMAGED_RECORD = "damaged record"
DAMAGED_HEADER = "damaged header"
WRITTEN_PADDING = "bytes where nothing was written"
UNKNOWN_LAYOUT = "unknown layout"
GAP = "sequence gap"
REPEATED = "repeated or out of order"
FOREIGN_BYTES = "bytes of no segment"
FOREIGN_SEGMENT = "segment of another log"
TRAILING_BYTES = "unfinished record"
SEGMENT_GAP = "segments missing"
CHAIN_BREAK = "chain of digests broken"

MEANINGS = {
    DAMAGED_RECORD: "a record's CRC-32 does not hold: its content is not read",
    DAMAGED_HEADER: "a segment's header is damaged: its records are read, each by its own CRC",
    WRITTEN_PADDING: "the unused end of a segment is not erased",
    UNKNOWN_LAYOUT: "written by firmware of another layout",
    GAP: "sequence numbers are missing",
    REPEATED: "a sequence number came again, or later than a higher one",
    FOREIGN_BYTES: "no segment begins here and no record in it is good",
    FOREIGN_SEGMENT: "device or log number is not that of this log",
    TRAILING_BYTES: "the log ends in the middle of a record",
    SEGMENT_GAP: "segment numbers are missing",
    CHAIN_BREAK: "a segment is not the one whose digest the next segment holds",
}

MAX_FINDINGS = 1000


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong: `segment` is -1 where unknown, `slot` -1 for all of it; `offset` in bytes."""

    kind: str
    segment: int
    slot: int
    offset: int
    count: int = 1
    detail: str = ""

    def __str__(self) -> str:
        place = f"segment {self.segment}" if self.segment >= 0 else f"byte {self.offset}"
        if self.slot >= 0:
            place += f" slot {self.slot}"
        return f"{place}: {self.kind}" + (f" ({self.detail})" if self.detail else "")


@dataclass
class IntegrityReport:
    """Totals over a log and the first `MAX_FINDINGS` findings; `totals` counts all of them by kind."""

    bytes_read: int = 0
    segments: int = 0
    records: int = 0
    samples: int = 0
    events: int = 0
    missing_records: int = 0
    totals: Counter[str] = field(default_factory=Counter)
    findings: list[Finding] = field(default_factory=list)

    def add(self, finding: Finding) -> None:
        """Count a finding and keep it while there is room."""
        self.totals[finding.kind] += finding.count if finding.kind != GAP else 1
        if finding.kind == GAP:
            self.missing_records += finding.count
        if len(self.findings) < MAX_FINDINGS:
            self.findings.append(finding)

    @property
    def damaged_records(self) -> int:
        """How many records' CRC does not hold."""
        return self.totals[DAMAGED_RECORD]

    @property
    def ok(self) -> bool:
        """True when nothing at all was found."""
        return not self.totals


@dataclass(frozen=True)
class ChainResult:
    """Outcome of `verify_chain`: links that hold, links not tried, and segments not to be believed."""

    links: int
    untried: int
    broken_segments: frozenset[int]
    findings: tuple[Finding, ...]

    @property
    def ok(self) -> bool:
        """True when every link that could be tried holds."""
        return not self.broken_segments


class ChainVerifier:
    """Compares each segment with the digest of it that the next one holds.

    `key` is needed for logs whose chain is HMAC-SHA-256; without it those links are counted as untried.
    """

    def __init__(self, key: bytes | None = None, workers: int = 2) -> None:
        self._key = key
        self._previous: tuple[int, bytes] | None = None
        self._links = self._untried = 0
        self._findings: list[Finding] = []
        self._pool = ThreadPoolExecutor(workers)

    def __enter__(self) -> "ChainVerifier":
        return self

    def __exit__(self, *_: object) -> None:
        self._pool.shutdown()

    def _digests(self, blocks: NDArray[np.uint8], keyed: bool) -> list[bytes]:
        key = self._key if keyed else None
        view = blocks.reshape(-1).data
        size = records.SEGMENT_BYTES

        def one_sha(at: int) -> bytes:
            return hashlib.sha256(view[at : at + size]).digest()

        def one_hmac(at: int) -> bytes:
            return hmac.digest(key or b"", view[at : at + size], "sha256")

        one: Callable[[int], bytes] = one_hmac if key else one_sha
        starts = range(0, len(view), size)
        # hashing lets other threads run, so halves of a large piece are hashed at the same time
        if len(starts) < 64:
            return [one(at) for at in starts]
        middle = len(starts) // 2
        later = self._pool.submit(lambda: [one(at) for at in starts[middle:]])
        return [one(at) for at in starts[:middle]] + later.result()

    def feed(
        self, blocks: NDArray[np.uint8], headers: NDArray[np.void], good: NDArray[np.bool_], offset: int
    ) -> None:
        """Take the next (n, 4096) blocks with their headers; `good` says which headers can be believed."""
        if not len(blocks):
            return
        keyed = bool(np.any(headers["chain"][good] == records.CHAIN_HMAC))
        digests = self._digests(blocks, keyed)
        segments = headers["segment"].tolist()
        claims = headers["previous_digest"]
        for i, digest in enumerate(digests):
            if not good[i]:
                self._untried += 1
                self._previous = None
                continue
            before, self._previous = self._previous, (segments[i], digest)
            if before is None or before[0] + 1 != segments[i] or keyed and self._key is None:
                self._untried += 1
            elif claims[i].tobytes() == before[1]:
                self._links += 1
            else:
                where = offset + i * records.SEGMENT_BYTES
                detail = f"segment {before[0]} is not what segment {segments[i]} followed"
                self._findings.append(Finding(CHAIN_BREAK, before[0], -1, where, 1, detail))

    def result(self) -> ChainResult:
        """What was found so far."""
        broken = frozenset(f.segment for f in self._findings)
        return ChainResult(self._links, self._untried, broken, tuple(self._findings[:MAX_FINDINGS]))
