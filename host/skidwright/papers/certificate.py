"""A one-page certificate that fluid met its target: on k valid samples, with the digest of their log.

The file holds the page and, as JSON inside it, all that the page says. `verify` renders the page again from
that JSON, so that a changed word shows, and looks the samples up in the log. A change of the template raises
FORMAT and keeps the old template, or papers that were issued could not be verified any more.
"""

import datetime
import hashlib
import json
import re
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from skidwright import __version__
from skidwright.config import Config
from skidwright.errors import PaperError
from skidwright.papers import evidence
from skidwright.papers.claim import Claim, sample_lines
from skidwright.samples.history import History
from skidwright.trade.code_text import format_code

KIND = "skidwright certificate"
FORMAT = 1
PURPOSES = {"clean-up": "Clean-up", "delivery": "Delivered or transferred fluid"}
MAX_BYTES = 1 << 22
_BLOCK = re.compile(r'<script type="application/json" id="content">(.*?)</script>', re.DOTALL)


@dataclass(frozen=True)
class Issue:
    """By whom, for what, and when a certificate is issued; `note` is a line for the paper."""

    by: str
    purpose: str
    utc: datetime.datetime
    note: str = ""


def content(
    history: History,
    claim: Claim,
    asset: Any,
    config: Config,
    calibrations: dict[str, str | None],
    issue: Issue,
) -> dict[str, Any]:
    """All that the certificate says, as plain values with its digest.

    `asset` has number, name, machine, fluid; `calibrations` the day on which each runs out. Raises
    PaperError when the samples do not support it.
    """
    if claim.refusals:
        more = f" and {len(claim.refusals) - 1} more" if len(claim.refusals) > 1 else ""
        raise PaperError(
            f"{claim.refusals[0]}{more}", "not issued", "clean on, or give the target that was agreed"
        )
    by_log: dict[int, list[int]] = {}
    for row in claim.rows.tolist():
        by_log.setdefault(int(history.which_log[row]), []).append(int(history.seq[row]))
    logs = []
    for place, seqs in by_log.items():
        log = history.logs[place]
        if log.salvaged_from:
            raise PaperError(f"{log.path} was salvaged", "not issued", "take new samples")
        logs.append({
            "device": log.path.parent.name,
            "log": log.path.stem,
            "chain": log.chain.protection,
            "records": seqs,
            "segments": [asdict(digest) for digest in evidence.of_samples(log.path, seqs)],
        })  # fmt: skip
    stated = {
        "kind": KIND,
        "format": FORMAT,
        "skidwright": __version__,
        "purpose": issue.purpose,
        "asset": {name: getattr(asset, name) for name in ("number", "name", "machine", "fluid")},
        "target": format_code(claim.target),
        "target_21um": claim.target_21um,
        "water_limit_percent": claim.water_limit_percent,
        "water_when_cold": claim.when_cold,
        "samples": sample_lines(history, claim.rows, config.limits()),
        "not_valid_since": claim.excluded,
        "chance_at_or_below_target": [round(chance, 4) for chance in claim.chances],
        "counter": config.counter.name,
        "calibration": config.counter.calibration,
        "calibration_due": calibrations,
        "logs": logs,
        "issued_utc": issue.utc.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "issued_by": issue.by,
        "note": issue.note,
    }
    return {**stated, "digest": digest_of(stated)}


def digest_of(stated: dict[str, Any]) -> str:
    """SHA-256 of everything a certificate states but its digest, as JSON with sorted keys."""
    plain = {name: value for name, value in stated.items() if name != "digest"}
    return hashlib.sha256(json.dumps(plain, sort_keys=True, ensure_ascii=True).encode()).hexdigest()


def render(stated: dict[str, Any]) -> str:
    """The page, with its content inside. Raises PaperError for content of another shape."""
    from jinja2 import UndefinedError
    from markupsafe import Markup

    data = (
        json.dumps(stated, sort_keys=True, ensure_ascii=True).replace("<", "\\u003c").replace("&", "\\u0026")
    )
    try:
        text: str = _template().render(
            c=stated, content=Markup(data), purpose=PURPOSES.get(stated["purpose"], stated["purpose"])
        )
    except (UndefinedError, TypeError, KeyError, AttributeError, ValueError):
        raise PaperError("its content is not that of a certificate", "", "ask who issued it") from None
    return text


def read(path: Path) -> tuple[dict[str, Any], str]:
    """Content and whole text of a certificate's file. Raises PaperError when it is none, OSError."""
    with path.open("rb") as file:
        raw = file.read(MAX_BYTES + 1)
    try:
        text = raw.decode("utf-8") if len(raw) <= MAX_BYTES else ""
        block = _BLOCK.search(text)
        stated = json.loads(block.group(1)) if block else None
    except (ValueError, RecursionError):
        stated = None
    if not isinstance(stated, dict) or stated.get("kind") != KIND:
        raise PaperError(
            "no certificate of skidwright", str(path), "give the HTML file of `skidwright certificate`"
        )
    if stated.get("format") != FORMAT:
        raise PaperError(
            f"format {stated.get('format')}, this version reads {FORMAT}", str(path), "update skidwright"
        )
    return stated, text


@cache
def _template() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    place = FileSystemLoader(Path(__file__).parent)
    found = Environment(loader=place, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return found.get_template("certificate.html.j2")
