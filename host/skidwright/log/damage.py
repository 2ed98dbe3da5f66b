"""What is wrong with a log, and where: findings and their totals.

A finding never removes anything; it says which bytes are not to be believed.
"""

from collections import Counter
from dataclasses import dataclass, field

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
KEY_DROPPED = "chain goes on without the key"
SEAL_BROKEN = "seal broken"
IMPOSSIBLE = "record that says what cannot be"

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
    KEY_DROPPED: "a segment is chained by plain SHA-256 after others were chained with the board's key",
    SEAL_BROKEN: "the end of the log is not what the board sealed with its key, or some of it is missing",
    IMPOSSIBLE: "a good CRC over a value that no board measures or may be set to: nothing of it is believed",
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
