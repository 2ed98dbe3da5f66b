"""Whether a log still supports a certificate: its own text, the bytes it rests on, the judgement today."""

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from skidwright.assessment import Assessment
from skidwright.config import Config, format_code, parse_code
from skidwright.errors import PaperError
from skidwright.history import VALID, histories
from skidwright.papers import certificate, evidence


@dataclass
class Verification:
    """What holds and what does not, a line each; the certificate is supported when nothing is `against`."""

    holds: list[str] = field(default_factory=list)
    against: list[str] = field(default_factory=list)

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
    stated: dict[str, Any], logs: dict[tuple[str, str], Assessment], config: Config, found: Verification
) -> None:
    """Bytes and judgement, added to `found`. `logs`: assessed logs by device and log number in hexadecimal.

    Raises OSError when a log cannot be read, PaperError for content of another shape.
    """
    try:
        for part in stated["logs"]:
            log = logs.get((part["device"], part["log"]))
            if log is None:
                found.against.append(f"log {part['device']}/{part['log']} is not in this archive")
                continue
            digests = [
                evidence.SegmentDigest(int(d["segment"]), int(d["bytes"]), str(d["sha256"]))
                for d in part["segments"]
            ]
            _bytes(log, digests, found)
            _judgement(stated, [int(seq) for seq in part["records"]], log, config, found)
    except (KeyError, TypeError, ValueError, AttributeError):
        raise PaperError("its content is not that of a certificate", "", "ask who issued it") from None


def _bytes(log: Assessment, digests: list[evidence.SegmentDigest], found: Verification) -> None:
    wrong = evidence.check(log.path, digests)
    found.against += wrong
    if not wrong:
        name = f"{log.path.parent.name}/{log.path.stem}"
        found.holds.append(f"{len(digests)} segments of log {name} are byte for byte what they were")
    broken = set(log.chain.broken_segments) & {digest.segment for digest in digests}
    found.against += [f"segment {number} breaks the chain of digests" for number in sorted(broken)]
    if not log.chain.ok and not broken:
        found.holds.append(
            "the chain of digests is broken elsewhere in the log, not where these samples stand"
        )


def _judgement(
    stated: dict[str, Any], seqs: list[int], log: Assessment, config: Config, found: Verification
) -> None:
    number, target = int(stated["asset"]["number"]), parse_code(stated["target"])
    limit = stated["water_limit_percent"]
    history = histories([log], [number]).get(number)
    said = {int(line["record"]): line for line in stated["samples"]}
    here = {} if history is None else {int(seq): row for row, seq in enumerate(history.seq.tolist())}
    agreed = 0
    for seq in seqs:
        row = here.get(seq)
        if row is None or history is None:
            found.against.append(f"record {seq} is no sample of asset {number}")
            continue
        code = tuple(history.code[row, :3].tolist())
        wet = limit is not None and not (
            history.water_verdict[row] == VALID and history.water_percent[row] <= float(limit) + 0.05
        )
        if format_code(code) != said[seq]["iso4406"]:
            found.against.append(f"record {seq} is {format_code(code)}, not {said[seq]['iso4406']}")
        elif history.counts_verdict[row] != VALID:
            found.against.append(
                f"record {seq} is not valid by today's thresholds (`skidwright check --all`)"
            )
        elif any(np.array(code) > np.array(target)) or wet:
            found.against.append(f"record {seq} is above the target or the water limit")
        else:
            agreed += 1
    if agreed == len(seqs):
        found.holds.append(f"all {agreed} samples are valid today and at or below the target")
