"""`skidwright report`: one HTML file for each asset."""

from pathlib import Path

import click

from skidwright.cli import options, selection
from skidwright.config import Config


@click.command(short_help="Write one report for each asset.")
@options.archive_option
@options.config_option
@selection.device_option
@selection.asset_option
@options.key_option
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path, file_okay=False), default=Path("reports"),
    show_default=True, help="Folder for the reports.",
)  # fmt: skip
@click.option("--pdf", is_flag=True, help="A PDF of each beside it, printed by a browser of this machine.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True,
              help="Paper of the PDF.")  # fmt: skip
@click.option("--tuning", type=click.Path(path_type=Path, dir_okay=False), default=None,
              help="tuning.json to show in the report.  [default: the board's newest in tuning*/, here or "
              "beside the archive]")  # fmt: skip
@click.option("--open", "show", is_flag=True, help="Open the reports in a browser.")
@options.json_option
def report(
    archive: Path,
    config: Config,
    device: str,
    asset: tuple[int, ...],
    keys: list[bytes],
    folder: Path,
    pdf: bool,
    paper: str,
    tuning: Path | None,
    show: bool,
    as_json: bool,
) -> int:
    """Write one self-contained HTML file for each asset: is the fluid clean and dry enough, what to do, how
    sure.

    Names, targets and limits come from the register (`skidwright asset`) and from skid.toml. How to read
    it: docs/reading_the_report.md.

    \b
    Examples:
      skidwright report
      skidwright report --asset 2 -o /srv/reports --open
      skidwright report --pdf --paper letter
      skidwright report --tuning rig/tuning.json

    Exit status 1: an asset is over its target or limit, nothing could be judged, or a log is damaged or
    incomplete.
    """
    from skidwright.cli import options, output
    from skidwright.papers.pdf import print_page
    from skidwright.register import Register, known_assets
    from skidwright.report import gather, headline, page, tuning_section
    from skidwright.standing import plain_rows
    from skidwright.standing.goals import ACT, MET, NOT_MET, OPEN
    from skidwright.standing.how_sure import NONE
    from skidwright.standing.words import particle_state

    known = known_assets(config, archive)
    now = options.now()
    with Register.open(archive) as register:
        done = register.events()
    found = gather.gather(
        selection.assess(archive, known.config, device, asset, keys), known, now, asset, done
    )
    made = []
    for data in found:
        path = folder / page.file_name(data.asset.number, data.asset.name)
        kept = tuning or tuning_section.find((Path(), archive.parent), data.samples.logs[-1].path.parent.name)
        page.write(data, path, tuning=tuning_section.section(kept, data.samples) if kept else None)
        if pdf:
            print_page(path.read_text("utf-8"), path.with_suffix(".pdf"), paper)
        said = headline.judge(data)
        made.append({
            "asset": data.asset.number,
            "name": data.asset.title,
            **plain_rows.standing_row(data.standing),
            "headline": said.title,
            "latest_code": said.latest_code or None,
            "report": str(path),
        })  # fmt: skip
        if show:
            click.launch(path.resolve().as_uri())
    if as_json:
        output.print_json({"reports": made})
    else:
        output.print_table(
            ("asset", "what it says", "how sure", "report"),
            [(row["name"], row["headline"], row["sureness"], row["report"]) for row in made],
        )
    reports = {log.path: log.report for data in found for log in data.samples.logs}
    for path, integrity in reports.items():
        if not integrity.ok and not as_json:
            wrong = ", ".join(f"{n:,} x {kind}" for kind, n in sorted(integrity.totals.items()))
            output.say(f"note: {path}: {wrong}; `skidwright check` says where")
    whole = all(integrity.ok for integrity in reports.values())
    judged = [particle_state(data.standing) in (MET, NOT_MET, OPEN) for data in found]
    good = all(judged) and all(
        data.standing.level != ACT and data.standing.sureness.word != NONE for data in found
    )
    return 0 if made and good and whole else 1
