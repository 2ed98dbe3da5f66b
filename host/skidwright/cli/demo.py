"""`skidwright demo`: the whole job without any hardware."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options

if TYPE_CHECKING:
    from skidwright.demo import DemoFinding, Demonstration


@click.command(short_help="Show the whole job without hardware: run, pull, check, report.")
@click.option(
    "--scenario",
    default="ferry",
    show_default=True,
    help="A scenario file, or the name of one that comes along.",
)
@click.option(
    "--seed",
    type=click.IntRange(0, 2**31),
    default=None,
    help="Seed of the plant's chance.  [default: the scenario's]",
)
@click.option(
    "-o",
    "--output",
    "folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("build/demo"),
    show_default=True,
    help="Folder for archive and reports; emptied if an earlier demo made it.",
)
@click.option("--board", type=click.Choice(["micropython", "cpython"]), default=None,
              help="What runs the firmware.  [default: MicroPython where there is one]")  # fmt: skip
@options.json_option
def demo(scenario: str, seed: int | None, folder: Path, board: str | None, as_json: bool) -> None:
    """Show the whole job without hardware: two invented days of a small ferry operator.

    The real firmware runs on a virtual skid and samples three machines in turn; the log is pulled through a
    serial port at the scenario's contacts; every sample is judged; each machine gets a report. The same
    seed gives the same archive, byte for byte.

    \b
    Examples:
      skidwright demo
      skidwright demo --seed 7 -o /tmp/demo
      skidwright demo --scenario my_case.toml
    """
    from skidwright.cli.progress import steps
    from skidwright.demo import demonstrate
    from skidwright.sim import scenario as scenarios

    chosen = scenarios.load(scenario)
    if not as_json:
        click.echo(chosen.title)
    with steps() as step:
        made = demonstrate(chosen, folder, step, seed, board or "")
    if as_json:
        from skidwright.cli import output

        output.print_json({
            "archive": str(made.archive),
            "config": str(made.config),
            "board": made.python_board,
            "pulls": made.pulls,
            "assets": [_answer(finding) for finding in made.findings],
        })  # fmt: skip
    else:
        _print(made)


def _answer(finding: "DemoFinding") -> dict[str, Any]:
    from skidwright.report.model import VALID

    data, said = finding.data, finding.said
    return {
        "asset": data.asset.number,
        "name": data.asset.title,
        "samples": len(data.samples),
        "valid_counts": int((data.samples.counts_verdict == VALID).sum()),
        "valid_water": int((data.samples.water_verdict == VALID).sum()),
        "latest_code": said.latest_code or None,
        "latest_water": said.latest_water or None,
        "needs": said.standing.word,
        "headline": said.title,
        "sureness": said.standing.sureness.word,
        "excluded": {reason.check: reason.count for reason in data.reasons},
        "report": str(finding.report),
    }


def _episodes(finding: "DemoFinding") -> list[tuple[Any, ...]]:
    """One row for each quantity of an asset that was not believed, with all that spoke against it."""
    groups: dict[str, list[Any]] = {}
    for reason in finding.data.reasons:
        groups.setdefault(reason.quantity, []).append(reason)
    return [
        (
            finding.data.asset.title,
            quantity,
            max(reason.count for reason in reasons),
            min(reason.first for reason in reasons),
            max(reason.last for reason in reasons),
            ", ".join(reason.check for reason in reasons),
        )
        for quantity, reasons in groups.items()
    ]


def _given_up(findings: "list[DemoFinding]") -> list[tuple[str, str, str]]:
    """(fault, what it means, what to do) for whatever made the skid give a turn up."""
    reasons = [reason for finding in findings for reason in finding.data.reasons]
    return sorted({(r.check, r.meaning, r.remedy) for r in reasons if r.verdict == "not taken"})


def _print(made: "Demonstration") -> None:
    from skidwright.cli import output
    from skidwright.formulas.iso4406 import format_code

    rows = []
    for finding in made.findings:
        answer, asset = _answer(finding), finding.data.asset
        target = format_code(asset.target) if asset.target else "not set"
        limit = "not set" if asset.water_limit_percent is None else f"{asset.water_limit_percent:g} %"
        code, water = answer["latest_code"] or "none", answer["latest_water"] or "none"
        sums = (answer["name"], answer["samples"], answer["valid_counts"])
        rows.append((*sums, code, target, water, limit, answer["headline"]))
    output.say("")
    output.print_table(
        (
            "asset",
            ">samples",
            ">valid counts",
            "newest code",
            "target",
            ">water",
            ">limit",
            "what the report says",
        ),
        rows,
    )
    episodes = [row for finding in made.findings for row in _episodes(finding)]
    output.print_table(
        ("asset", "not believed", ">samples", "first", "last (UTC)", "what was found wrong"), episodes
    )
    for check, meaning, remedy in _given_up(made.findings):
        output.say(f"{check}: {meaning} {remedy}")
    events = {
        (happening.when_text, happening.what, happening.detail): None
        for finding in made.findings
        for happening in finding.data.happenings
        if happening.mark or happening.what == "log recovered"
    }
    output.print_table(("when (UTC)", "what happened", "detail"), sorted(events))
    for log in made.logs:
        state = "complete, every record verified" if log.report.ok else f"findings: {dict(log.report.totals)}"
        output.say(f"log {log.path}: {log.report.records} records in {made.pulls} pulls, {state}")
    output.say("reports:")
    for finding in made.findings:
        output.say(f"  {finding.report.resolve()}")
    output.say(f"more: skidwright check --archive {made.archive} --config {made.config}")
