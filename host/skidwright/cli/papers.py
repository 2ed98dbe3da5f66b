"""`skidwright certificate`, `verify` and `slip`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from skidwright.cli import options, paper_source, selection
from skidwright.cli.options import Number

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

    from skidwright.config import Config
    from skidwright.papers.claim import Claim
    from skidwright.samples.assessment import Assessment
    from skidwright.samples.history import History
    from skidwright.standing.standing import Standing

_ONE_ASSET = click.option(
    "--asset", "number", type=click.IntRange(1, 65535), required=True, help="Asset number."
)
_SAMPLES = click.option("--samples", type=click.IntRange(1, 100), default=3, show_default=True,
                        help="Valid samples in a row it rests on.")  # fmt: skip
_TARGET = click.option("--target", default=None, help="ISO 4406 code to meet.  [default: the asset's]")
_WATER = click.option("--water", type=Number(0, 100), default=None,
                      help="Highest water saturation, %.  [default: the asset's]")  # fmt: skip


@click.command(short_help="Issue a one-page certificate that a target was met.")
@_ONE_ASSET
@click.option("--by", required=True, help="Who issues it.")
@click.option("--purpose", type=click.Choice(["clean-up", "delivery", "condition"]), default=None,
              help="What it is for.  [default: clean-up where its samples are of a clean-up that ended on "
                   "target, else condition: the state of the fluid in service]")  # fmt: skip
@_SAMPLES
@_TARGET
@_WATER
@click.option("--confidence", type=Number(50, 99.9999), default=None, metavar="PERCENT",
              help="Least confidence, one-sided, that every channel is at or below target and water within "
                   "its limit.  [default: 95]")  # fmt: skip
@click.option("--note", default="", help="A line for the paper: an order, a lot number.")
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="The file.  [default: certificate-ASSET-DATE.html]")  # fmt: skip
@click.option("--pdf", is_flag=True, help="A PDF beside it, printed by a browser of this machine.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True,
              help="Paper of the PDF.")  # fmt: skip
@options.archive_option
@options.config_option
@options.key_option
@options.json_option
def certificate(
    number: int,
    by: str,
    purpose: str | None,
    samples: int,
    target: str | None,
    water: float | None,
    confidence: float | None,
    note: str,
    output: Path | None,
    pdf: bool,
    paper: str,
    archive: Path,
    config: Config,
    keys: list[bytes],
    as_json: bool,
) -> int:
    """Issue a certificate for an asset: its newest valid samples meet the target, and on what that rests.

    Each sample must be at or below the target as counted, and within the water limit at the coldest
    temperature the machine sees; both must be proven with 95 % confidence, as `receive` asks, and the samples
    may not be old. The paper states the confidence that was reached. It holds target, samples with their
    limits, calibrations, and the SHA-256 of the log's segments, so that `skidwright verify` can say later
    whether the log still supports it. It is noted in the register.

    \b
    Examples:
      skidwright certificate --asset 12 --by "A. Moe"
      skidwright certificate --asset 12 --by "A. Moe" --purpose delivery --target 16/14/11 --pdf

    Exit status 1: the samples do not support one; nothing was issued.
    """
    from skidwright.cli import options
    from skidwright.cli import output as out
    from skidwright.papers import certificate as papers
    from skidwright.papers import claim as claims
    from skidwright.papers import pdf as printing
    from skidwright.standing import plain_rows, words
    from skidwright.whole_file import write_whole

    for name, text in (("--by", by), ("--note", note)):
        if not text.isprintable() or len(text) > 200 or (name == "--by" and not text.strip()):
            raise click.UsageError(f"{name}: give up to 200 printable characters")
    logs, history, known = paper_source.history_of(number, archive, config, keys)
    asset = known.asset(number)
    goals = paper_source.goals_asked(known, number, target, water, samples, confidence)
    issued, now = options.utc().replace(microsecond=0), options.now()
    claim = claims.claim(history, goals, now, logs)
    stands = paper_source.stands(logs, history, known, archive, now)
    if claim.refusals:
        _refused(claim, stands, as_json)
        return 1
    purpose = _purpose(purpose, history, logs, claim, now)
    stated = papers.content(
        history,
        claim,
        asset,
        known.config,
        paper_source.calibrations(history, known),
        papers.Issue(by, purpose, issued, note),
        stands,
    )
    path = output or Path(f"certificate-{number}-{issued:%Y%m%d-%H%M%S}.html")
    page = papers.render(stated)

    def write() -> Path:
        write_whole(path, page.encode())
        return path

    def print_pdf() -> Path:
        printing.print_page(page, path.with_suffix(".pdf"), paper)
        return path.with_suffix(".pdf")

    made = paper_source.issue(
        archive, "certificate", issued, number, str(stated["digest"]), stated, path, write,
        *([print_pdf] if pdf else []),
    )  # fmt: skip
    if as_json:
        files = [str(file) for file in made]
        out.print_json({**stated, "files": files, "standing": plain_rows.standing_row(stands)})
    else:
        out.say(
            f"Issued: {', '.join(map(str, made))}, with {stated['confidence']} confidence that every channel "
            f"is at or below {stated['target']}. Its digest: {stated['digest']}"
        )
        out.say(f"This machine stands: {words.title(stands)}")
    return 0


def _printable(text: str) -> str:
    """A paper may come from anybody: what would steer the terminal is shown as a question mark."""
    return "".join(character if character.isprintable() else "?" for character in text)


def _purpose(
    given: str | None, history: History, logs: Sequence[Assessment], claim: Claim, now: np.datetime64
) -> str:
    """What a certificate is for. A clean-up only where there was one: PaperError where there was not."""
    from skidwright.cleanup.runs import proven_since
    from skidwright.errors import PaperError
    from skidwright.papers.certificate import CLEAN_UP, CONDITION

    cleaned = proven_since(history, logs, int(claim.rows[0]), now, claim.goals.oldest_days)
    if given == CLEAN_UP and not cleaned:
        raise PaperError(
            "its samples are of no clean-up that ended on target", f"asset {history.asset}",
            "leave --purpose out, or give condition",
        )  # fmt: skip
    return given or (CLEAN_UP if cleaned else CONDITION)


def _refused(claim: Claim, stands: Standing, as_json: bool) -> None:
    from skidwright.cli import output as out
    from skidwright.samples import unreadable
    from skidwright.standing import plain_rows, words

    if as_json:
        out.print_json({
            "issued": False,
            "refusals": list(claim.refusals),
            "unread": list(claim.unread),
            "quantities": [plain_rows.quantity_row(one) for one in claim.quantities],
            "standing": plain_rows.standing_row(stands),
        })  # fmt: skip
        return
    over = len(claim.refusals) > len(claim.unread)
    why = (
        "the newest valid samples do not prove it"
        if over
        else "the log is damaged where newer samples may be"
    )
    out.say(f"Nothing was issued: {why}.")
    out.say(f"This machine stands: {words.title(stands)}")
    for line in claim.refusals:
        out.say(f"  {line}")
    if claim.unread:
        out.say(f"What cannot be read may hold newer samples of this asset: {unreadable.REMEDY}.")


@click.command(short_help="Say whether the log still supports a certificate.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@options.archive_option
@options.config_option
@options.key_option
@options.json_option
def verify(file: Path, archive: Path, config: Config, keys: list[bytes], as_json: bool) -> int:
    """Find the log behind the certificate in FILE and say whether it still supports it.

    Looked at are the paper itself, the bytes of the log it rests on, the log's chain of digests, what its
    samples are judged to be today, and whether it leaves out a sample over the target that was taken before
    it was issued, or a record that nobody can read any more. Samples taken since are noted only.

    \b
    Example:
      skidwright verify certificate-12-20260304-101500.html

    Exit status 1: something speaks against it, or the log is chained with a key that is not here.
    """
    from skidwright.cli import options
    from skidwright.cli import output as out
    from skidwright.papers import certificate as papers
    from skidwright.papers import verify as verifying
    from skidwright.register import Register, known_assets

    stated, text = papers.read(file)
    found = verifying.paper_itself(stated, text)
    known = known_assets(config, archive)
    logs = {
        (log.path.parent.name, log.path.stem): log for log in selection.assess(archive, config, keys=keys)
    }
    now_ms = options.utc().timestamp() * 1000
    verifying.against_logs(stated, logs, found, now_ms)
    verifying.against_standing(stated, list(logs.values()), known, archive, found)
    with Register.open(archive) as register:
        verifying.in_register((paper.digest for paper in register.papers()), stated, found)
    if as_json:
        out.print_json({"supported": found.supported, "holds": found.holds, "against": found.against,
                        "untried": found.untried, "open": found.open, "notes": found.notes,
                        "content": stated})  # fmt: skip
        return 0 if found.supported and not found.untried else 1
    out.say(
        _printable(
            f"Certificate for asset {stated['asset']['number']}, target {stated['target']}, "
            f"issued {stated['issued_utc']} by {stated['issued_by']}"
        )
    )
    told = (("holds:  ", found.holds), ("open:   ", found.open), ("note:   ", found.notes),
            ("AGAINST:", found.against))  # fmt: skip
    for word, lines in told:
        for line in lines:
            out.say(_printable(f"  {word} {line}"))
    if found.supported and found.untried:
        out.say("Nothing speaks against it, but whether the log is the board's was NOT tried: give --key.")
        return 1
    out.say("The log supports it." if found.supported else "The log does NOT support it.")
    return 0 if found.supported else 1


@click.command(short_help="A slip of 48 columns for a receipt printer.")
@_ONE_ASSET
@_SAMPLES
@_TARGET
@_WATER
@click.option("--printer", default=None, metavar="PORT", help="Serial port of the printer.")
@click.option("--baud", type=click.IntRange(300, 1_000_000), default=9600, show_default=True,
              help="Speed of that port.")  # fmt: skip
@click.option("-o", "--output", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="A file for it.  [default: standard output]")  # fmt: skip
@options.archive_option
@options.config_option
@options.key_option
def slip(
    number: int,
    samples: int,
    target: str | None,
    water: float | None,
    printer: str | None,
    baud: int,
    output: Path | None,
    archive: Path,
    config: Config,
    keys: list[bytes],
) -> int:
    """Print an asset's newest valid samples against its target on 48 columns of plain text.

    \b
    Examples:
      skidwright slip --asset 12
      skidwright slip --asset 12 --printer /dev/ttyUSB0 --baud 19200

    Exit status 1: the target is not met.
    """
    from skidwright.cli import options
    from skidwright.cli import output as out
    from skidwright.papers import certificate as slips
    from skidwright.papers import proof
    from skidwright.papers.claim import claim as claims
    from skidwright.papers.claim import percent, sample_lines
    from skidwright.samples import unreadable
    from skidwright.standing import words
    from skidwright.standing.goals import NO_GOAL, WORDS
    from skidwright.whole_file import write_whole

    logs, history, known = paper_source.history_of(number, archive, config, keys)
    now = options.now()
    claim = claims(history, paper_source.goals_asked(known, number, target, water, samples), now, logs)
    stands = paper_source.stands(logs, history, known, archive, now)
    refused = [*claim.refusals, *proof.refusals(history, claim.rows)]
    over = len(claim.refusals) > len(claim.unread)
    verdict = (
        f"Target met by {len(claim.rows)} valid samples in a row."
        if not refused
        else f"Target NOT {'met' if over else 'proven'}: {'; '.join(refused)}."
    )
    facts = [
        f"this machine stands: {words.title(stands)}",
        *(f"{words.verdict(one)}; {WORDS[stands.level_of(one.name)]}" for one in stands.quantities
          if one.rows or one.state != NO_GOAL),
        *([f"what cannot be read may hold newer samples: {unreadable.REMEDY}"] if claim.unread else []),
        f"not valid since the first of these: {claim.excluded}",
        f"confidence that every channel is at or below target: {percent(claim.confidence)} "
        "(receive asks for 95 %)",
        *([f"water judged: {claim.water.words}"] if claim.water else []),
        *(f"{what}: calibration {'until ' + due if due else 'not on record'}"
          for what, due in paper_source.calibrations(history, known).items()),
        *(f"log {log.path.parent.name}/{log.path.stem}: protected by {log.chain.protection}"
          for log in history.logs[-1:]),
    ]  # fmt: skip
    text = slips.slip(
        known.asset(number).title, number, sample_lines(history, claim.rows),
        "/".join(map(str, claim.target)), claim.goals.water_limit_percent, verdict, facts,
        options.utc(), known.config.note,
    )  # fmt: skip
    if printer:
        slips.send(text, printer, baud)
    if output:
        write_whole(output, text.encode("ascii"))
    if not printer and not output:
        out.say(text.rstrip("\n"))
    return 1 if refused else 0
