"""`skidwright receive`: accept or refuse a delivered or moved fluid."""

from __future__ import annotations

import dataclasses
import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import asset_options, options, selection
from skidwright.cli.options import Number
from skidwright.config import Config
from skidwright.errors import ArchiveError, ConfigError
from skidwright.register.fields import BY_NAME

if TYPE_CHECKING:
    from skidwright.receiving.decision import Decision, Terms
    from skidwright.register import AssetRecord, KnownAssets


@click.command(short_help="Accept or refuse a fluid that was delivered or moved.")
@click.option("--asset", "number", type=click.IntRange(1, 65535), help="Asset number of its samples.")
@click.option("--fluid", default="", help="Name of the fluid. Alone: the asset that has this name or fluid.")
@click.option("--into", type=click.IntRange(1, 65535), help="Asset it goes into: its target and limit hold.")
@click.option(
    "--target", type=asset_options.FieldType(BY_NAME["target"]), metavar="16/14/11",
    help="Worst ISO 4406 code to accept.  [default: the target of --into, else of --asset]",
)  # fmt: skip
@click.option(
    "--water-limit", type=Number(0, 100), metavar="PERCENT",
    help="Highest water saturation; 100 asks nothing.  [default: as for --target]",
)  # fmt: skip
@click.option(
    "--last", type=click.IntRange(1, 1000), default=3, show_default=True,
    help="Valid samples needed, newest first.",
)  # fmt: skip
@click.option(
    "--since", type=asset_options.Moment(),
    help="Look at no sample before this.  [default: the newest one of the fluid received before]",
)  # fmt: skip
@click.option(
    "--confidence", type=Number(50.1, 99.9999), default=95, show_default=True, metavar="PERCENT",
    help="Confidence, one-sided, with which every channel must be at or below target.",
)  # fmt: skip
@click.option("--volume-l", type=Number(min=0), help="Enter a top-up of --into with so much, when accepted.")
@click.option("--dry-run", is_flag=True, help="Judge only; keep no record.")
@options.archive_option
@options.config_option
@options.key_option
@options.json_option
def receive(
    number: int | None,
    fluid: str,
    into: int | None,
    target: tuple[int, int, int] | None,
    water_limit: float | None,
    last: int,
    since: int | None,
    confidence: float,
    volume_l: float | None,
    dry_run: bool,
    archive: Path,
    config: Config,
    keys: list[bytes],
    as_json: bool,
) -> int:
    """Accept or refuse a new or transferred fluid on its newest valid samples, and keep the record.

    Sample the drum, tank or line as an asset of its own, and pull. Every channel must be at or below its
    target with the confidence asked for; too few particles counted is no proof. Water is judged at the
    coldest temperature the machine of --into sees; where none is known, at the sample's own, and the answer
    says so. Fluid is to be filtered whenever it is moved, new fluid included (common practice, no source).

    \b
    Examples:
      skidwright receive --asset 90 --fluid "VG 46, drum 7" --into 12
      skidwright receive --asset 90 --fluid "VG 46, drum 7" --target 16/14/11 --last 5
      skidwright receive --fluid "transfer tank" --target 16/14/11 --since 2026-03-02T08:00Z --json

    Exit status 1: refused, or not proven: the samples do not suffice or are too old, or damaged records may
    be newer ones.
    """
    from skidwright.cli import options, output
    from skidwright.judgement.events import joined, marks
    from skidwright.papers import proof
    from skidwright.receiving import decision as receiving
    from skidwright.receiving import receipt
    from skidwright.samples import history, unreadable
    from skidwright.standing import plain_rows, standing, words

    if not fluid.isprintable() or len(fluid) > 200:
        raise click.UsageError("--fluid: give up to 200 printable characters")
    known = asset_options.known(config, archive, as_pulled=True)
    if number is None:
        number = _source(known, archive, fluid)
        fluid = ""
    goal = asset_options.known_asset(config, archive, into) if into is not None else known.asset(number)
    terms = _terms(goal, known.asset(number), target, water_limit, last, confidence / 100)
    terms = dataclasses.replace(terms, oldest_days=config.judgement.sample_age_days)
    fluid = _one_spaced(fluid or known.asset(number).fluid or known.asset(number).title)
    if volume_l is not None and into is None:
        raise click.UsageError("--volume-l: give --into, the asset that was topped up")
    terms = _dated(terms, archive, number, fluid, since)
    logs = selection.assess(archive, known.config, "", (number,), keys)
    samples = history.histories(logs, [number])[number]
    now = options.now()
    decision = receiving.decide(samples, terms, now)
    hidden = unreadable.listed(unreadable.since(samples, decision.rows[0], logs)) if decision.rows else []
    decision = receiving.unless_hidden(decision, hidden)
    decision = receiving.unless_proven(decision, proof.refusals(samples, decision.rows))
    content = receipt.record(decision, samples, terms)
    cold = receipt.when_cold(decision, samples, terms)
    damage = f"what cannot be read may hold newer samples: {unreadable.REMEDY}"
    notes = [*([damage] if hidden else []), *([cold] if cold else []), *receiving.PRACTICE]
    if terms.since_ms is not None and since is None:
        notes.insert(
            0, f"samples up to {output.iso_ms(terms.since_ms - 1000)} belong to the fluid received before; "
            "--since looks further back"
        )  # fmt: skip
    content |= {"fluid": fluid, "asset": number, "into": into, "notes": notes}
    booked = standing.book_of(archive).get(number, [])
    stands = standing.of_history(samples, known, now, logs, joined(marks(logs), booked))
    kept = None if dry_run else _keep(archive, number, into, fluid, decision, terms, volume_l, content)
    if as_json:
        row = receipt.row_of(content)
        output.print_json({**row, "record": kept, "standing": plain_rows.standing_row(stands)})
    else:
        _say(decision, content, kept)
        if stands.goals.has_target:
            output.say(f"asset {number} by itself: {words.title(stands)}")
    return 0 if decision.accepted else 1


def _one_spaced(name: str) -> str:
    """A name as it is printed and compared: pasted or typed in, it may hold a space too many."""
    return " ".join(name.split())


def _source(known: KnownAssets, archive: Path, fluid: str) -> int:
    """The asset number that the samples of a fluid were taken as, by its name."""
    if not fluid:
        raise click.UsageError("say what is received: --asset NUMBER, or --fluid NAME")
    name = _one_spaced(fluid).casefold()
    found = [
        n for n, r in known.items() if name in (_one_spaced(own).casefold() for own in (r.name, r.fluid))
    ]
    if len(found) != 1:
        what = "no asset" if not found else f"{len(found)} assets ({', '.join(map(str, found))})"
        raise ArchiveError(
            f"{what} of the name or fluid {fluid!r}", str(archive), "give --asset, as which it was sampled"
        )
    return found[0]


def _terms(
    goal: AssetRecord,
    sampled: AssetRecord,
    target: tuple[int, int, int] | None,
    water_limit: float | None,
    last: int,
    confidence: float,
) -> Terms:
    from skidwright.receiving.decision import Terms

    asked = target or goal.target or sampled.target
    if asked is None:
        raise ConfigError(
            "no target to accept against", f"asset {goal.number}", "give --target, such as 16/14/11"
        )
    limits = [
        x for x in (water_limit, goal.water_limit_percent, sampled.water_limit_percent) if x is not None
    ]
    fourth = None if target else goal.target_21um
    return Terms(
        asked, fourth, last, confidence, limits[0] if limits else None,
        coldest_c=goal.coldest_c, solubility=sampled.solubility or goal.solubility,
    )  # fmt: skip


def _dated(terms: Terms, archive: Path, number: int, fluid: str, since: int | None) -> Terms:
    """The terms with the moment before which samples belong to the fluid that was received before."""
    from skidwright.register import Register

    if since is None:
        with Register.open(archive) as register:
            others = [
                r
                for r in register.receipts(number)
                if _one_spaced(r.fluid).casefold() != fluid.casefold() and r.content.get("samples")
            ]
        newest = max((str(s["utc"]) for r in others for s in r.content["samples"] if s["utc"]), default=None)
        if newest is None:
            return terms
        # to the second, so the next one is of the fluid that came after
        since = round(datetime.datetime.fromisoformat(newest).timestamp() * 1000) + 1000
    return dataclasses.replace(terms, since_ms=since)


def _keep(
    archive: Path,
    number: int,
    into: int | None,
    fluid: str,
    decision: Decision,
    terms: Terms,
    volume_l: float | None,
    content: dict[str, Any],
) -> int:
    from skidwright.register import Event, Receipt, Register

    now = asset_options.now_ms()
    with Register.open(archive, write=True) as register, register.transaction():
        kept = register.add_receipt(Receipt(now, number, fluid, terms.target, decision.accepted, content))
        if decision.accepted and into is not None and volume_l is not None:
            register.ensure(into)
            register.add_event(Event(into, now, "top-up", f"{fluid}, receipt {kept}"[:200], volume_l))
    return kept


def _say(decision: Decision, content: dict[str, Any], kept: int | None) -> None:
    from skidwright.cli import output

    code = f"{decision.code} against " if decision.code else ""
    output.say(f"{decision.outcome.upper()}: {content['fluid']}: {code}{content['target']}")
    for reason in decision.reasons:
        output.say(f"- {reason}")
    times = [sample["utc"] for sample in content["samples"] if sample["utc"]]
    if times:
        output.say(f"- rests on {len(content['samples'])} samples from {times[0]} to {times[-1]}")
    for line in content["notes"]:
        output.say(f"note: {line}")
    if kept is not None:
        output.say(f"kept in the register as receipt {kept}")
