"""A one-page certificate that fluid met its target: on k valid samples, with the digest of their log.

The file holds the page and, as JSON inside it, all that the page says. `verify` renders the page again from
that JSON, so that a changed word shows, and looks the samples up in the log. A change of the template raises
FORMAT and keeps the old template, or papers that were issued could not be verified any more. Format 1 gave a
chance for each channel; format 2 names the rules, and the confidence that was reached; format 3 works with
the scatter between samples as well.
"""

import datetime
import hashlib
import json
import math
import re
import textwrap
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from skidwright import __version__
from skidwright.config import Config
from skidwright.errors import PaperError
from skidwright.formulas.iso4406 import format_code
from skidwright.judgement.scatter import Scatter
from skidwright.papers import proof
from skidwright.papers.claim import Claim, Water, percent, sample_lines
from skidwright.samples import unreadable
from skidwright.samples.history import History
from skidwright.standing.goals import SURE
from skidwright.standing.standing import Standing
from skidwright.standing.words import title
from skidwright.wording import span

KIND = "skidwright certificate"
FORMAT = 3
READABLE = (1, 2, 3)
CLEAN_UP, DELIVERY, CONDITION = "clean-up", "delivery", "condition"
PURPOSES = {
    CLEAN_UP: "Clean-up",
    DELIVERY: "Delivered or transferred fluid",
    CONDITION: "State of the fluid in service",
}
# What is asked of the machine itself, which is judged by it; the paper's own terms may be others.
ASKED = ("target", "target_21um", "water_limit_percent", "coldest_c", "interval_h")
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
    stands: Standing | None = None,
) -> dict[str, Any]:
    """All that the certificate says, as plain values with its digest.

    `asset` has number, name, machine, fluid; `calibrations` the day on which each runs out; `stands` is how
    the machine stands when the paper is issued. Raises PaperError when the samples do not support it.
    """
    if claim.refusals:
        more = f" and {len(claim.refusals) - 1} more" if len(claim.refusals) > 1 else ""
        only_unread = len(claim.unread) == len(claim.refusals)
        remedy = unreadable.REMEDY if only_unread else "clean on, or give the target that was agreed"
        raise PaperError(f"{claim.refusals[0]}{more}", "not issued", remedy)
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
            "chain": proof.stated_of(log, seqs),
            "records": seqs,
            "segments": [asdict(digest) for digest in proof.of_samples(log.path, seqs)],
        })  # fmt: skip
    stated = {
        "kind": KIND,
        "format": FORMAT,
        "skidwright": __version__,
        "purpose": issue.purpose,
        "asset": {name: getattr(asset, name) for name in ("number", "name", "machine", "fluid")},
        "target": format_code(claim.target),
        "target_21um": claim.target_21um,
        "water_limit_percent": claim.goals.water_limit_percent,
        "coldest_c": claim.goals.coldest_c,
        "water_constants": list(claim.goals.solubility[:2]) if claim.goals.solubility else None,
        "water": water_line(claim.water),
        "samples": sample_lines(history, claim.rows),
        "not_valid_since": claim.excluded,
        "confidence_at_or_below_target": [round(each, 4) for each in claim.confidences],
        # of the rounded ones, so that who has the paper only comes to the same
        "confidence": percent(min(round(each, 4) for each in claim.confidences)),
        "one_fluid": claim.one_fluid,
        "confidence_asked": claim.goals.confidence,
        "scatter": scatter_line(claim.scatter),
        "counter": config.counter.name,
        "calibration": config.counter.calibration,
        "calibration_due": calibrations,
        "logs": logs,
        "issued_utc": issue.utc.astimezone(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "issued_by": issue.by,
        "note": issue.note,
    }
    if stands is not None:  # a paper issued before this was told has the content it always had
        stated["stands"] = stands_line(stands)
    if config.note:  # a paper of a shop without one has the content it always had
        stated["data_note"] = config.note
    return {**stated, "digest": digest_of(stated)}


def water_line(water: Water | None) -> dict[str, Any] | None:
    """What the paper says of the wettest sample, as plain values."""
    if water is None:
        return None
    at_c = round(water.at_c, 1) if math.isfinite(water.at_c) else None
    return {
        "low_percent": round(water.low_percent, 1),
        "high_percent": round(water.high_percent, 1),
        "at_c": at_c,
        "words": water.words,
    }


def stands_line(one: Standing) -> dict[str, Any]:
    """How soon a person is needed at the machine, in the words of every view, and how old its data are.

    The age in words is that of the number beside it, so that it can be worked out again.
    """
    age = round(one.particles[0].age_days, 6)
    return {
        "needs": one.word,
        "title": title(one),
        "asked": {name: getattr(one.asset, name) for name in ASKED},
        "age_days": age if math.isfinite(age) else None,
        "age": age_words(age if math.isfinite(age) else None),
    }


def age_words(age_days: float | None) -> str:
    """An age as the page says it; None for one that nobody knows."""
    return "of an age nobody knows" if age_days is None else span(max(age_days, 0.0))


def scatter_line(scatter: Scatter) -> dict[str, list[float]]:
    """How samples scatter, five series each: four sizes in scale numbers, water in percent of saturation."""
    names = ("sd", "freedom", "alike")
    return {name: [float(f"{value:.6g}") for value in getattr(scatter, name)] for name in names}


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
        text: str = _template(stated["format"]).render(
            c=stated, content=Markup(data), purpose=PURPOSES.get(stated["purpose"], stated["purpose"]),
            **_worked_out(stated),
        )  # fmt: skip
    except (UndefinedError, TypeError, KeyError, AttributeError, ValueError):
        raise PaperError("its content is not that of a certificate", "", "ask who issued it") from None
    return text


def _worked_out(stated: dict[str, Any]) -> dict[str, Any]:
    """What the page of format 2 says that is not in the content word by word."""
    if stated["format"] == 1:
        return {}
    sure = [float(each) for each in stated["confidence_at_or_below_target"]]
    sizes = ("≥4", "≥6", "≥14", "≥21")
    return {
        "confidences": [(size, percent(each)) for size, each in zip(sizes, sure, strict=False)],
        "below_usual": min(sure) < SURE,
    }


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
    if stated.get("format") not in READABLE or isinstance(stated["format"], bool):
        raise PaperError(
            f"format {str(stated.get('format'))[:20]}, this version reads up to {FORMAT}", str(path),
            "update skidwright",
        )  # fmt: skip
    return stated, text


@cache
def _template(number: int) -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    place = FileSystemLoader(Path(__file__).parent)
    found = Environment(loader=place, autoescape=True, undefined=StrictUndefined, trim_blocks=True)
    return found.get_template(f"certificate_{number}.html.j2")


COLUMNS = 48


def slip(
    title: str,
    asset: int,
    samples: Iterable[dict[str, Any]],
    target: str,
    water_limit_percent: float | None,
    verdict: str,
    facts: Iterable[str],
    written: datetime.datetime,
    note: str = "",
) -> str:
    """The text, lines of at most 48 characters that end in a line feed.

    `samples` are plain values as of `claim.sample_lines`; `verdict` and `facts` are sentences;
    `note` stands on top.
    """
    lines = [
        _rule("="),
        *(_folded(note) if note else []),
        *_folded(title),
        f"asset {asset}",
        f"{written:%Y-%m-%dT%H:%M:%SZ}",
        _rule("="),
    ]
    lines += _folded(verdict)
    lines += ["", _pair("target, at most (ISO 4406)", target)]
    if water_limit_percent is not None:
        lines.append(_pair("water, at most", f"{water_limit_percent:g} %"))
    lines += [_rule("-"), f"{'sample (UTC)':20}{'ISO 4406':>11}{'water':>8}{'deg C':>9}"]
    for sample in samples:
        water, fluid = sample["water_percent"], sample["temperature_c"]
        lines.append(f"{sample['utc']:20}{sample['iso4406']:>11}{_cell(water, ' %'):>8}{_cell(fluid, ''):>9}")
    lines.append(_rule("-"))
    for fact in facts:
        lines += _folded(fact)
    lines += ["", "", "_" * 22 + "    " + "_" * 22, f"{'date':26}signature", _rule("=")]
    return "".join(line.rstrip() + "\n" for line in lines)


def send(text: str, port: str, baud: int) -> None:
    """Send a slip to the printer at a serial port. Raises PortError."""
    import serial

    from skidwright.errors import PortError

    try:
        with serial.serial_for_url(port, baud, timeout=5, write_timeout=30) as printer:
            printer.write(text.replace("\n", "\r\n").encode("ascii"))
            printer.flush()
    except (OSError, ValueError) as problem:
        said = getattr(problem, "strerror", None) or str(problem)
        raise PortError(
            f"the printer does not take it ({said})", port, "check its port, speed and paper"
        ) from None


def _cell(value: float | None, unit: str) -> str:
    # One digit, as it was rounded: to round again would make 85.46 first 85.5 and then 86.
    return "-" if value is None else f"{value:.1f}{unit}"


def _rule(character: str) -> str:
    return character * COLUMNS


def _pair(name: str, value: str) -> str:
    return f"{name}{value:>{COLUMNS - len(name)}}"


def _folded(text: str) -> list[str]:
    """The text in lines of 48, in ASCII: a receipt printer knows nothing else for certain."""
    plain = (
        text.replace("\u00b5", "u").replace("\u2013", "-").replace("\u2265", ">=").replace("\u00b0", " deg ")
    )
    ascii_only = plain.encode("ascii", "replace").decode()
    return textwrap.wrap(ascii_only, COLUMNS, break_long_words=True, break_on_hyphens=False) or [""]
