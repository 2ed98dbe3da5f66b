"""Everything that belongs to one asset's report, gathered: samples, what was left out and why, events,
and what can be said of the logs."""

import hashlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from skidboard import records

from skidwright.calibration.document import due_days
from skidwright.checks import CATALOGUE, QUANTITIES, REJECTED, SUSPECT, UNCHECKED, WORDS, Check
from skidwright.checks.catalogue import ids_of
from skidwright.checks.check import NOTE, SEVERITY_WORDS
from skidwright.config import Config
from skidwright.judgement.events import joined, marks
from skidwright.log.damage import GAP
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS
from skidwright.register import KnownAssets
from skidwright.register.model import EVENT_KINDS, Event
from skidwright.report import happenings, headline
from skidwright.report.happenings import Occurrence, iso
from skidwright.report.model import AssetReport, ExcludedReason, ExcludedSample, Integrity
from skidwright.samples.assessment import Assessment
from skidwright.samples.history import History, histories
from skidwright.standing.standing import Standing, of_history

SHOWN = 25


@dataclass(frozen=True)
class Exclusions:
    """`samples`: how many were not valid for some quantity. `notes`: lines for checks that only note."""

    reasons: list[ExcludedReason]
    newest: list[ExcludedSample]
    samples: int
    notes: tuple[str, ...]


def title(check: Check) -> str:
    """A check's id as words."""
    return check.id.replace("-", " ")


def meaning(check: Check) -> str:
    """What it means when the check speaks, in one sentence."""
    return " ".join((check.test.__doc__ or check.looks_at).split("\n\n")[0].split())


def quantities(check: Check) -> str:
    """The quantities a check speaks against, in words."""
    names = [name for q, name in enumerate(QUANTITIES) if check.quantities >> q & 1]
    return "all" if len(names) == len(QUANTITIES) else ", ".join(names)


def of(
    utc_ms: NDArray[np.int64],
    seq: NDArray[np.uint32],
    verdict: NDArray[np.uint8],
    reasons: NDArray[np.uint64],
) -> Exclusions:
    """Sum up one asset's samples, in order of time. `verdict` is (n, 4), `reasons` bits of the catalogue."""
    spoke = int(np.bitwise_or.reduce(reasons)) if len(reasons) else 0
    found: list[ExcludedReason] = []
    notes: list[str] = []
    for bit, check in enumerate(CATALOGUE):
        if not spoke >> bit & 1:
            continue
        places = np.flatnonzero(reasons >> np.uint64(bit) & np.uint64(1))
        if check.severity == NOTE:
            notes.append(f"{title(check)} ({len(places):,} samples): {meaning(check)} {check.remedy}")
            continue
        first, last = int(utc_ms[places[0]]), int(utc_ms[places[-1]])
        found.append(
            ExcludedReason(
                title(check),
                quantities(check),
                SEVERITY_WORDS[check.severity],
                len(places),
                iso(first),
                iso(last),
                meaning(check),
                check.remedy,
            )
        )
    found.sort(key=lambda reason: (reason.verdict != "rejected", -reason.count))
    bad = (verdict == SUSPECT) | (verdict == REJECTED) | (verdict == UNCHECKED)
    rows = np.flatnonzero(bad.any(axis=1))
    newest = [_one(int(i), utc_ms, seq, verdict, reasons) for i in rows[::-1][:SHOWN]]
    return Exclusions(found, newest, len(rows), tuple(notes))


def _one(
    i: int,
    utc_ms: NDArray[np.int64],
    seq: NDArray[np.uint32],
    verdict: NDArray[np.uint8],
    reasons: NDArray[np.uint64],
) -> ExcludedSample:
    bad = [q for q in range(len(QUANTITIES)) if verdict[i, q] in (SUSPECT, REJECTED, UNCHECKED)]
    words = {WORDS[verdict[i, q]] for q in bad}
    if len(words) == 1:
        what, how = ", ".join(QUANTITIES[q] for q in bad), words.pop()
    else:
        what = ", ".join(QUANTITIES[q] for q in bad)
        how = ", ".join(f"{QUANTITIES[q]} {WORDS[verdict[i, q]]}" for q in bad)
    why = ", ".join(
        name.replace("-", " ")
        for name in ids_of(int(reasons[i]), notes=bool((verdict[i] == UNCHECKED).any()))
    )
    return ExcludedSample(int(seq[i]), iso(int(utc_ms[i])), what, how, why)


def maintenance_of(samples: History, events: Iterable[Event]) -> list[Occurrence]:
    """Events from the first dated sample on; those up to the newest one get a letter in the pictures."""
    dated = samples.utc_ms[~np.isnat(samples.when)]
    if not len(dated):
        return []
    first, last = int(dated[0]), int(dated[-1])
    return [
        Occurrence(
            event.utc_ms, EVENT_KINDS.get(event.kind, event.kind), _detail(event), event.utc_ms <= last
        )
        for event in events
        if event.utc_ms >= first
    ]


def _detail(event: Event) -> str:
    amount = "" if event.volume_l is None else f"{event.volume_l:g} L"
    return ", ".join(filter(None, [event.text, amount, "by the register"]))


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


_ML_MIN_PER_UL_S = 0.06


def gather(
    logs: Sequence[Assessment],
    known: KnownAssets,
    now: np.datetime64,
    only: Iterable[int] = (),
    maintenance: Iterable[Event] = (),
) -> list[AssetReport]:
    """A report's content at `now` (UTC) for each asset (or those in `only`) that has samples in the logs.

    `maintenance` is what the register says was done, to any asset. Raises OSError when a log cannot be read.
    """
    found = histories(logs, only)
    numbers = sorted(found, key=lambda n: (list(known).index(n) if n in known else 99, n))
    done, marked = list(maintenance), marks(logs)
    made = []
    for n in numbers:
        own = [event for event in done if event.asset == n]
        happened = joined(marked, [(event.utc_ms, event.kind, event.text) for event in own])
        standing = of_history(found[n], known, now, logs, happened)
        made.append(_report(found[n], known, own, standing))
    return made


def _report(samples: History, known: KnownAssets, done: Sequence[Event], standing: Standing) -> AssetReport:
    number, logs, config = samples.asset, samples.logs, known.config
    told = headline.of(samples, standing.asset, standing.goals) + maintenance_of(samples, done)
    skipped: list[ExcludedReason] = []
    for log in logs:
        times = log.event_times()[0]
        told += happenings.of_asset(log.events, times, log.boot_ends(), number)
        skipped += happenings.skipped(log.events, times, number)
    exclusion = of(samples.utc_ms, samples.seq, samples.verdict, samples.reasons)
    due = due_days(samples, config)
    return AssetReport(
        asset=standing.asset,
        counter=config.counter,
        band_ml_min=_band(logs[-1], int(samples.settings_crc[-1]), config),
        samples=samples,
        standing=standing,
        integrity=integrity(logs, samples.utc_ms, samples.utc_error_ms, exclusion.notes),
        happenings=happenings.lettered(told),
        happenings_total=len(told),
        reasons=exclusion.reasons + skipped,
        excluded=exclusion.newest,
        excluded_total=exclusion.samples,
        calibration_due=due["counter"],
        meter_due=due["flow meter"],
        loops_due=due["current loops"],
        judged_with=_digest(known, number),
        note=config.note,
    )


def _digest(known: KnownAssets, number: int) -> str:
    """SHA-256 of what a judgement depends on besides the log, as JSON with sorted names."""
    config = known.config
    parts = (known.asset(number), config.counter, config.limits(), config.judgement)
    text = json.dumps([asdict(part) for part in parts], sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def _band(log: Assessment, settings_crc: int, config: Config) -> tuple[float, float]:
    """The counter's band in mL/min: from skid.toml, else from the settings of the newest sample."""
    if config.counter.band_ml_min:
        return config.counter.band_ml_min
    found = log.settings.of(settings_crc) or log.settings.fallback
    low, high = (round(found[f"flow_{end}_ul_s"] * _ML_MIN_PER_UL_S, 1) for end in ("low", "high"))
    return low, high
