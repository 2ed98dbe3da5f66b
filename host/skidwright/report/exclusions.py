"""Which samples were not believed and why, counted by check, with the newest of them one by one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from skidwright.checks import CATALOGUE, QUANTITIES, REJECTED, SUSPECT, UNCHECKED, WORDS, Check
from skidwright.checks.check import NOTE, SEVERITY_WORDS
from skidwright.checks.verdicts import ids_of
from skidwright.report.happenings import iso
from skidwright.report.model import ExcludedReason, ExcludedSample

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
