"""What can be said of the logs behind a report: records, gaps, chain, clock, digest."""

import hashlib
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.log.integrity import GAP
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS
from skidwright.report.model import Integrity
from skidwright.samples.assessment import Assessment

SHOWN_FINDINGS = 12


def integrity(
    logs: Sequence[Assessment],
    utc_ms: NDArray[np.int64],
    utc_error_ms: NDArray[np.int64],
    notes: tuple[str, ...],
) -> Integrity:
    """The statement for the logs in `logs`; times and their errors (ms) are those of the asset's samples."""
    findings = [str(loss) for log in logs for loss in log.losses]
    findings += [str(finding) for log in logs for finding in log.report.findings]
    if len(findings) > SHOWN_FINDINGS:
        more = len(findings) - SHOWN_FINDINGS
        findings = [*findings[:SHOWN_FINDINGS], f"and {more} more: `skidwright check --json` lists them"]
    known = utc_error_ms[(utc_ms != UNKNOWN_UTC_MS) & (utc_error_ms != UNBOUNDED_MS)]
    return Integrity(
        device=", ".join(dict.fromkeys(log.path.parent.name for log in logs)),
        logs=", ".join(f"log {log.path.stem}" for log in logs),
        records=sum(log.report.records for log in logs),
        bad_records=sum(log.report.damaged_records for log in logs),
        gaps=sum(log.report.totals[GAP] for log in logs),
        missing_records=sum(log.report.missing_records for log in logs),
        reclaimed_unpulled=sum(_reclaimed_unpulled(log.events) for log in logs),
        chain_ok=all(log.chain.ok for log in logs),
        chain_statement=_chain(logs),
        clock_statement=clock(logs, utc_ms, utc_error_ms),
        clock_worst_s=float(known.max()) / 1000 if len(known) else float("inf"),
        digest=", ".join(_sha256(log.path) for log in logs),
        findings=(*findings, *notes),
    )


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _reclaimed_unpulled(events: NDArray[np.void]) -> int:
    gone = events[(events["kind"] == records.RECLAIM) & (events["d"] == 0)]
    return int((gone["c"].astype(np.int64) - gone["b"] + 1).sum())


def _chain(logs: Sequence[Assessment]) -> str:
    links = sum(log.chain.links for log in logs)
    untried = sum(log.chain.untried for log in logs)
    broken = sum(len(log.chain.broken_segments) for log in logs)
    text = f"{links:,} links hold: each of those segments is the one whose digest the next one bears"
    if untried > len(logs):  # the first segment of a log has none before it
        text += f"; {untried - len(logs):,} could not be tried (a gap, damage, or no key)"
    if broken:
        text += f"; {broken:,} BROKEN: bytes were changed after they had been written"
    kinds = list(dict.fromkeys(log.chain.protection for log in logs))
    salvaged = list(dict.fromkeys(log.salvaged_from for log in logs if log.salvaged_from))
    if salvaged:
        text = f"SALVAGED from raw flash ({', '.join(salvaged)}), so it may be incomplete; {text}"
    return f"{text}. Protected by {'; '.join(kinds)}"


def clock(logs: Sequence[Assessment], utc_ms: NDArray[np.int64], utc_error_ms: NDArray[np.int64]) -> str:
    """How well the times of the samples are known."""
    contacts = sum(len(log.timeline.contacts) for log in logs)
    rejected = sum(len(log.timeline.rejected) for log in logs)
    unknown = int((utc_ms == UNKNOWN_UTC_MS).sum())
    loose = int(((utc_ms != UNKNOWN_UTC_MS) & (utc_error_ms == UNBOUNDED_MS)).sum())
    known = utc_error_ms[utc_error_ms != UNBOUNDED_MS]
    by_chip = sum(log.timeline.chip_readings for log in logs)
    text = f"UTC rebuilt from {contacts - by_chip:,} contacts with a host"
    if by_chip:
        text += f" and {by_chip:,} starts at which the board's clock chip knew the time"
    if len(known):
        text += (
            f"; worst uncertainty of a sample {_span(known.max())}, median {_span(float(np.median(known)))}"
        )
    if loose:
        text += f"; {loose:,} samples are known only to lie before or after a moment"
    if unknown:
        text += f"; {unknown:,} samples have no known time"
    if rejected:
        text += (
            f"; {rejected:,} contacts contradicted the others (a host's clock was wrong) and were not used"
        )
    return text


def _span(ms: float) -> str:
    for unit, size in (("h", 3_600_000), ("min", 60_000), ("s", 1000)):
        if ms >= 2 * size:
            return f"{ms / size:.1f} {unit}"
    return f"{ms:.0f} ms"
