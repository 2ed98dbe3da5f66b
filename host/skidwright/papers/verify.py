"""Whether a log still supports a certificate: its own text, the bytes it rests on, the judgement today.

Whoever knows how can give changed content a digest that fits. So every figure of the paper that the log can
give is worked out again; what only the paper says (names, who issued it, calibrations) is looked up in the
register by the digest.
"""

import datetime
import json
import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from skidwright.errors import PaperError
from skidwright.formulas.iso4406 import parse_code
from skidwright.judgement.scatter import Scatter
from skidwright.log.timeline import UNBOUNDED_MS, UNKNOWN_UTC_MS
from skidwright.papers import certificate, proof, speaks_against
from skidwright.papers.claim import over_target, percent, reached, sample_lines, scatter_by_then, worst_water
from skidwright.register import KnownAssets
from skidwright.samples.assessment import Assessment
from skidwright.samples.counted import chances_at_most
from skidwright.samples.history import VALID, History, histories
from skidwright.standing import water
from skidwright.standing.goals import NOT_MET, WORDS
from skidwright.standing.standing import at_moment

# How far a figure may lie from today's. A clock that was compared again moves a sample's time by minutes, and
# a meter that was calibrated since moves the limits, and with them the chances.
_TIME_S, _CHANCE = 600.0, 0.1
# The same figures, rounded the same way; and what is written with six digits.
_ROUNDED, _SIX_DIGITS = 1e-9, 1e-5


@dataclass
class Verification:
    """What holds and what does not, a line each; the certificate is supported when nothing is `against`.

    `open` is what nobody but the paper says; `notes` are of no consequence for the paper. `untried`: the log
    is chained with a key that was not at hand.
    """

    holds: list[str] = field(default_factory=list)
    against: list[str] = field(default_factory=list)
    open: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    untried: bool = False

    @property
    def supported(self) -> bool:
        """True when nothing speaks against the certificate."""
        return not self.against


def paper_itself(stated: dict[str, Any], text: str) -> Verification:
    """The certificate by itself: its digest, and whether the page says what its content says."""
    found = Verification()
    if certificate.digest_of(stated) != stated.get("digest"):
        found.against.append("its content was changed: the digest does not fit")
    else:
        found.holds.append("its content is as it was issued, by its own digest")
    if certificate.render(stated) == text:
        found.holds.append("the page says what the content says, letter by letter")
    else:
        found.against.append("the page was changed: it does not say what its content says")
    return found


def against_logs(
    stated: dict[str, Any],
    logs: dict[tuple[str, str], Assessment],
    found: Verification,
    now_ms: float,
) -> None:
    """Bytes and judgement, added to `found`. `logs`: assessed logs by device and log number in hexadecimal.
    `now_ms`: UTC.

    Raises OSError when a log cannot be read, PaperError for content of another shape.
    """
    try:
        _complete(stated, found)
        _dates(stated, list(logs.values()), found, now_ms)
        _own_word(stated, found)
        for part in stated["logs"]:
            log = logs.get((part["device"], part["log"]))
            if log is None:
                found.against.append(f"log {part['device']}/{part['log']} is not in this archive")
                continue
            digests = [
                proof.SegmentDigest(int(d["segment"]), int(d["bytes"]), str(d["sha256"]))
                for d in part["segments"]
            ]
            seqs = [int(seq) for seq in part["records"]]
            _bytes(log, digests, seqs, found)
            _protection(log, seqs, str(part["chain"]), found)
            _judgement(stated, seqs, log, found)
        against, notes = speaks_against.against(stated, list(logs.values()))
        found.against += against
        found.notes += notes
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        raise PaperError("its content is not that of a certificate", "", "ask who issued it") from None


def against_standing(
    stated: dict[str, Any], logs: Sequence[Assessment], known: KnownAssets, archive: Path, found: Verification
) -> None:
    """Whether the machine stood as the paper says when it was issued, added to `found`.

    Worked out with what was sampled and done by then, and with what the paper says was asked of the machine
    and when its calibrations ran out. A milder word on the paper speaks against it, a graver one is noted.
    Raises OSError, RegisterError, and PaperError for content of another shape.
    """
    if "stands" not in stated:
        return
    try:
        said, levels = stated["stands"], {word: level for level, word in WORDS.items()}
        level, age, issued_ms = levels[said["needs"]], said["age_days"], speaks_against.issued_ms(stated)
        dues = {
            str(what): None if day is None else datetime.date.fromisoformat(day)
            for what, day in stated["calibration_due"].items()
        }
        history = histories(logs, [int(stated["asset"]["number"])]).get(int(stated["asset"]["number"]))
        if history is None:
            return
        asked = {name: said["asked"][name] for name in certificate.ASKED}
        asked["target"] = None if asked["target"] is None else parse_code("/".join(map(str, asked["target"])))
        asset = replace(known.asset(history.asset), **asked)
        there = at_moment(history, asset, known.config, issued_ms, logs, archive, dues)
        if there is None:
            return
        then = certificate.stands_line(there)
        # Older than today's log says is honest: the newest of them may have been pulled after the issue.
        newest = then["age_days"]
        if newest is not None and (age is None or float(age) < newest - _TIME_S / 86_400 - 0.01):
            found.against.append(
                f"the machine's newest valid sample was {then['age']} old when it was issued"
            )
        if said["age"] != certificate.age_words(None if age is None else float(age)):
            found.against.append("the age of its newest valid sample is one in words, another in figures")
        starts = f"{said['needs'][0].upper()}{said['needs'][1:]}: "
        if not str(said["title"]).startswith(starts):
            found.against.append("its sentence on the machine does not begin with its word of how soon")
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError):
        raise PaperError("its content is not that of a certificate", "", "ask who issued it") from None
    if level == there.level:
        found.holds.append(f"the machine's word was {there.word!r} when it was issued, as it says")
    elif level < there.level:
        found.against.append(f"it says of the machine {said['needs']!r}; by the log it was {there.word!r}")
    else:
        found.notes.append(f"the machine's word comes out as {there.word!r} today, milder than it says")


def _protection(log: Assessment, seqs: list[int], said: str, found: Verification) -> None:
    """Whether the board's key proves its records, and whether the paper says so."""
    holds, against, left_open = proof.verified(log, seqs, said)
    found.holds += holds
    found.against += against
    found.open += left_open
    found.untried |= proof.state(log.chain, seqs) == proof.UNTRIED


def _dates(stated: dict[str, Any], logs: list[Assessment], found: Verification, now_ms: float) -> None:
    """A paper is issued after its samples were taken, and not in the future."""
    issued_ms = speaks_against.issued_ms(stated)
    if issued_ms > now_ms + 1000 * _TIME_S:
        found.against.append(f"it says that it was issued {stated['issued_utc']}, which is yet to come")
    number = int(stated["asset"]["number"])
    for part in stated["logs"]:
        for log in logs:
            if (log.path.parent.name, log.path.stem) != (part["device"], part["log"]):
                continue
            history = histories([log], [number]).get(number)
            if history is None:
                continue
            mine = np.isin(history.seq, [int(seq) for seq in part["records"]])
            known = mine & (history.utc_ms != UNKNOWN_UTC_MS) & (history.utc_error_ms != UNBOUNDED_MS)
            earliest = history.utc_ms[known] - history.utc_error_ms[known]
            late = np.flatnonzero(earliest > issued_ms)
            if len(late):
                seq = int(history.seq[known][late[0]])
                found.against.append(
                    f"record {seq} was taken after {stated['issued_utc']}, when it says that it was issued"
                )


# What no log can prove, by the name of the field.
_OWN_WORD = (
    "purpose", "asset", "target", "target_21um", "water_limit_percent", "coldest_c", "water_constants",
    "confidence_asked", "counter", "calibration", "calibration_due", "issued_utc", "issued_by", "note",
    "data_note", "skidwright", "water_when_cold", "one_fluid",
)  # fmt: skip
_WORKED_OUT = (
    "kind", "format", "samples", "not_valid_since", "confidence_at_or_below_target", "confidence",
    "water", "logs", "digest", "scatter", "chance_at_or_below_target", "stands",
)  # fmt: skip


def _own_word(stated: dict[str, Any], found: Verification) -> None:
    """Say what only the paper says; a field that no paper of ours has speaks against it."""
    if stated["purpose"] not in certificate.PURPOSES:
        found.against.append("its purpose is none that skidwright issues a paper for")
    strange = sorted(set(stated) - set(_OWN_WORD) - set(_WORKED_OUT))
    if strange:
        found.against.append(f"it has what no certificate has: {', '.join(strange)[:100]}")
    told = [f"{name} {_short(stated[name])}" for name in _OWN_WORD if stated.get(name) not in (None, "")]
    stands = ("title", "asked") if "stands" in stated else ()
    told += [f"stands/{name} {_short(stated['stands'][name])}" for name in stands]
    found.open.append(f"its own word, which no log can prove: {'; '.join(told)}")


def _short(value: Any) -> str:
    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, sort_keys=True)
    return text if len(text) <= 200 else f"{text[:200]} ..."


def _complete(stated: dict[str, Any], found: Verification) -> None:
    """Each sample on the page must be a record that it names, once, in a log."""
    named = [(part["device"], part["log"], int(seq)) for part in stated["logs"] for seq in part["records"]]
    shown = Counter(int(line["record"]) for line in stated["samples"])
    if not named or len(set(named)) < len(named) or shown != Counter(seq for _, _, seq in named):
        found.against.append("the samples on the page are not the records of a log that it names")


def _bytes(log: Assessment, digests: list[proof.SegmentDigest], seqs: list[int], found: Verification) -> None:
    wrong = proof.check(log.path, digests)
    if not wrong:
        try:
            needed = {(digest.segment, digest.bytes) for digest in proof.of_samples(log.path, seqs)}
        except ValueError as problem:
            wrong = [str(problem)]
        else:
            named = {(digest.segment, digest.bytes) for digest in digests}
            wrong = [
                f"segment {segment}, in which its samples stand, is not among those it names"
                for segment, _ in sorted(needed - named)
            ]
    found.against += wrong
    if not wrong:
        name = f"{log.path.parent.name}/{log.path.stem}"
        many = "1 segment" if len(digests) == 1 else f"{len(digests)} segments"
        found.holds.append(f"{many} of log {name} byte for byte as it was")
    broken = set(log.chain.broken_segments) & {digest.segment for digest in digests}
    found.against += [f"segment {number} breaks the chain of digests" for number in sorted(broken)]
    if not log.chain.ok and not broken:
        found.holds.append(
            "the chain of digests is broken elsewhere in the log, not where these samples stand"
        )


def _judgement(stated: dict[str, Any], seqs: list[int], log: Assessment, found: Verification) -> None:
    number, limit = int(stated["asset"]["number"]), stated["water_limit_percent"]
    goals = speaks_against.stated_goals(stated)
    history = histories([log], [number]).get(number)
    here = {} if history is None else {int(seq): row for row, seq in enumerate(history.seq.tolist())}
    rows = []
    for seq in seqs:
        row = here.get(seq)
        if row is None or history is None:
            found.against.append(f"record {seq} is no sample of asset {number}")
            continue
        rows.append(row)
        place = np.array([row], np.intp)
        wet = limit is not None and (
            history.water_verdict[row] != VALID or water.above(history, place, goals).any()
        )
        if history.counts_verdict[row] != VALID:
            found.against.append(
                f"record {seq} is not valid by today's thresholds (`skidwright check --all`)"
            )
        elif over_target(history, place, goals) or wet:
            found.against.append(f"record {seq} is above the target or the water limit")
    if history is None or len(rows) < len(seqs) or not rows:
        return
    before = len(found.against)
    _figures(stated, history, rows, found)
    _water(stated, history, rows, found)
    _in_a_row(stated, history, rows, limit is not None, found)
    if len(found.against) == before and not any("record" in line for line in found.against):
        found.holds.append(
            f"all {len(rows)} samples are valid today and at or below the target, with the paper's figures"
        )


def _figures(stated: dict[str, Any], history: History, rows: list[int], found: Verification) -> None:
    """The figures of the samples and the chances, worked out again."""
    places = np.array(rows, np.intp)
    for now in sample_lines(history, places):
        lines = [line for line in stated["samples"] if int(line["record"]) == now["record"]]
        # Two logs may have a record of one number: the line that fits best is this one's.
        differs = min((_differing(line, now) for line in lines), key=len, default=["nothing"])
        if differs:
            found.against.append(f"record {now['record']} says otherwise than the log: {', '.join(differs)}")
    if len(stated["logs"]) > 1:
        return
    target = parse_code(stated["target"])
    if stated["format"] == 1:
        chances = chances_at_most(history.counted(places).put_together(), target)[0]
        if not _near(stated["chance_at_or_below_target"], chances.tolist(), 0, _CHANCE):
            found.against.append("the chances to be at or below the target are not those of these samples")
        return
    goals = speaks_against.stated_goals(stated)
    sure = reached(history, places, goals, _scatter(stated, history, places, found))
    said = stated["confidence_at_or_below_target"]
    asked = stated["confidence_asked"]
    if not _near(said, [round(each, 4) for each in sure], 0, _ROUNDED) or stated["confidence"] != percent(
        min(map(float, said))
    ):
        found.against.append("the confidences are not those of these samples")
    elif asked is not None and min(sure) < float(asked) - _CHANCE:
        found.against.append(f"{100 * float(asked):g} % confidence are not reached by these samples")


def _scatter(
    stated: dict[str, Any], history: History, places: NDArray[np.intp], found: Verification
) -> Scatter | None:
    """How samples scatter by the log, which the paper must say too; None before format 3."""
    if stated["format"] < 3:
        return None
    said = stated["scatter"]
    there = scatter_by_then(history, places)
    now = certificate.scatter_line(there)
    if not all(_near(said[name], now[name], _SIX_DIGITS, 0) for name in now):
        found.against.append("the scatter between samples is not that of this log")
    return there  # the paper has it rounded, its confidences do not


def _water(stated: dict[str, Any], history: History, rows: list[int], found: Verification) -> None:
    """The water of the wettest sample at the coldest temperature, by the constants the paper names."""
    limit = stated["water_limit_percent"]
    if stated["format"] == 1 or limit is None or len(stated["logs"]) > 1:
        return
    now = worst_water(history, np.array(rows, np.intp), speaks_against.stated_goals(stated))
    said, line = stated["water"], certificate.water_line(now)
    assert line is not None
    if said != line:
        found.against.append(f"its water is {now.words}, not what the paper says")
    elif now.state == NOT_MET:
        found.against.append(f"its water is {now.words}, above the limit of {float(limit):g} %")


def _differing(line: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """The names of what `line` says otherwise than `now`, with what the log gives."""
    wrong = []
    if line["iso4406"] != now["iso4406"]:
        wrong.append(f"ISO 4406 is {now['iso4406']}, not {str(line['iso4406'])[:20]}")
    if not _same_time(str(line["utc"]), str(now["utc"])):
        wrong.append(f"it was taken {now['utc']}")
    for name, what, absolute in (
        ("volume_ml", "mL counted", _ROUNDED), ("water_percent", "% of water saturation", _ROUNDED),
        ("temperature_c", "degC", _ROUNDED),
    ):  # fmt: skip
        if not _near([line[name]], [now[name]], 0, absolute):
            wrong.append(f"{'no' if now[name] is None else now[name]} {what}")
    if not _near(line["per_ml"], now["per_ml"], _ROUNDED, 0):
        wrong.append("particles per mL")
    ends = [end for pair in line["limits_per_ml"] for end in pair]
    if not _near(ends, [end for pair in now["limits_per_ml"] for end in pair], _ROUNDED, 0):
        wrong.append("limits per mL by the thresholds in force here")
    return wrong


def _in_a_row(
    stated: dict[str, Any], history: History, rows: list[int], wet: bool, found: Verification
) -> None:
    """Between the samples of the paper none may be valid, and the others must have been told."""
    between = np.setdiff1d(np.arange(min(rows), max(rows) + 1), rows)
    valid = history.counts_verdict[between] == VALID
    if wet:
        valid &= history.water_verdict[between] == VALID
    if valid.any():
        seq = int(history.seq[between[valid][0]])
        found.against.append(f"record {seq} between its samples is valid today and was left out")
    elif len(between) > int(stated["not_valid_since"]):
        found.against.append(f"{len(between)} samples between were not valid, more than the paper says")
    elif len(stated["logs"]) == 1:
        taken = history.until(np.datetime64(speaks_against.issued_ms(stated), "ms"))
        most = len(taken) - min(rows) - len(rows)
        if int(stated["not_valid_since"]) > most:
            found.against.append(
                f"{most} samples since the first of its own were not valid, less than it says"
            )


def in_register(digests: Iterable[str], stated: dict[str, Any], found: Verification) -> None:
    """Whether a paper of that digest was issued here; `digests` are those of the register's papers."""
    if stated.get("digest") in set(digests):
        found.holds.append("the register knows it as issued here, with its names and calibrations")
    else:
        found.open.append(
            "the register of this archive does not know it: names, issuer and calibrations are its own word"
        )


def _same_time(one: str, other: str) -> bool:
    try:
        apart = datetime.datetime.fromisoformat(one) - datetime.datetime.fromisoformat(other)
    except (ValueError, TypeError):
        return one == other
    return abs(apart.total_seconds()) <= _TIME_S


def _near(given: list[Any], now: list[Any], relative: float, absolute: float) -> bool:
    """Are all the numbers of two lists alike? None is only like None."""
    if len(given) != len(now):
        return False
    pairs = list(zip(given, now, strict=True))
    if any((a is None) != (b is None) for a, b in pairs):
        return False
    return all(
        math.isclose(float(a), float(b), rel_tol=relative, abs_tol=absolute) or (a != a and b != b)
        for a, b in pairs
        if a is not None
    )
