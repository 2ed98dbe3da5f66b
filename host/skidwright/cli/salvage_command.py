"""`skidwright salvage`: the log from raw flash, after the board's file system was lost."""

import datetime
from pathlib import Path
from typing import Any

import click

from skidwright.cli import options


@click.command(short_help="Recover a log from raw flash after its file system was lost.")
@click.argument("port", required=False, envvar="SKIDWRIGHT_PORT")
@click.option("--image", type=click.Path(path_type=Path), help="Read this file of raw flash, not a board.")
@options.archive_option
@click.option(
    "-o", "--output", "folder", type=click.Path(path_type=Path, file_okay=False),
    help="New folder for what is recovered.  [default: beside the archive, named by the time]",
)  # fmt: skip
@options.key_option
@options.json_option
def salvage(
    port: str | None, image: Path | None, archive: Path, folder: Path | None, keys: list[bytes], as_json: bool
) -> int:
    """Recover every segment that is still in the flash of the board at PORT, though its file system is gone.

    Do it before anything else: installing or sampling again writes over what is left. A running firmware is
    asked to leave; nothing is written to the board. Each segment is recognised and verified by itself. What
    is recovered goes into an archive of its own, marked as salvaged, for `check`, `report` and `export`.

    \b
    Examples:
      skidwright salvage /dev/ttyACM0
      skidwright check --archive ~/.local/share/skidwright/archive-salvaged-20260401T081500Z
      skidwright salvage --image flash.img -o recovered

    Exit status 1: recovered, but segments in between are missing, damaged or not the last copy.
    """
    from skidwright.archive import folder as archives
    from skidwright.archive import salvage as salvaging
    from skidwright.cli import output
    from skidwright.errors import SalvageError
    from skidwright.link import raw_flash
    from skidwright.log import keys as log_keys

    if (port is None) == (image is None):
        raise click.UsageError("give either PORT or --image FILE")
    if image is not None:
        raw, where = salvaging.read_image(image), str(image)
    else:
        assert port is not None
        raw, where = raw_flash.read(port), port
    first = next((copy for copy in salvaging.copies(raw) if copy.good), None)
    if first is None:
        raise SalvageError("no record of a log is left in this flash", where, "nothing can be recovered")
    known = keys or log_keys.of(first.header.device)
    now = datetime.datetime.now(datetime.UTC)
    place = folder or archive.with_name(f"{archive.name}-salvaged-{now:%Y%m%dT%H%M%SZ}")
    made = archives.Archive.create(place, f"{where}, {now:%Y-%m-%dT%H:%M:%SZ}")
    found = salvaging.salvage(raw, made, known[-1] if known else None)
    short = any(log.missing or log.damaged or log.contradicted or len(log.not_proven) > 1 for log in found)
    if as_json:
        import dataclasses

        output.print_json({"archive": str(place), "logs": [dataclasses.asdict(log) for log in found]})
        return 1 if short or not found else 0
    for log in found:
        output.say(_line(log))
    output.say(f"salvaged into {place}: look at it with `skidwright check --archive {place}`")
    return 1 if short or not found else 0


def _line(log: Any) -> str:
    return (
        f"board {log.device}, log {log.log}: {log.records:,} records in {log.segments:,} segments, "
        f"{log.first} to {log.last}; {log.proven:,} proven by the digest in the next one, {log.missing:,} "
        f"missing in between, {log.damaged:,} records damaged"
    )
