"""`skidwright pull` and `skidwright salvage`: what is new on a board, and what can still be had of a
damaged one."""

import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options
from skidwright.errors import ConfigError

if TYPE_CHECKING:
    from skidwright.archive.kept_settings import Thresholds


@click.command(short_help="Pull what is new in a skid's log into the archive.")
@options.port_argument
@options.archive_option
@options.config_path_option
@options.key_option
@click.option("--no-contact", is_flag=True, help="Do not tell the board the time, nor what is safe here.")
@options.json_option
def pull(
    port: str, archive: Path, config: Path | None, keys: list[bytes], no_contact: bool, as_json: bool
) -> int:
    """Pull what is new in the log of the skid at PORT into the archive.

    Everything is verified before it is written. An interrupted pull leaves the archive as it was or further
    on; simply repeat it. What has rotted in the archive itself is pulled again while the board still has it,
    and the damaged bytes are kept in a file beside the log. The board is told the time, by which its records
    are dated, and which records are safe here.

    The board's settings come along, and so do the thresholds and fluid constants that skid.toml has now: what
    is pulled is read by them ever after, wherever the archive is copied to. See `skidwright thresholds`.

    \b
    Examples:
      skidwright pull /dev/ttyACM0
      skidwright pull COM5 --archive D:\\oil

    Exit status 1: pulled, but something on the board or in the archive is damaged or already gone (named).
    """
    from skidwright.archive import folder as archives
    from skidwright.archive import pull as pulling
    from skidwright.cli import output
    from skidwright.link.session import Session
    from skidwright.log import seal as log_keys

    archives.Archive.check_place(archive)
    with Session.open(port) as session, _bar(quiet=as_json) as advance:
        known = keys or log_keys.of(session.hello().device)
        key = known[-1] if known else None
        # Not before the board has answered: a wrong port leaves no empty archive behind.
        opened = archives.Archive.create(archive)
        thresholds = read_by(config, archive)
        summary = pulling.pull(
            session, opened, progress=advance, contact=not no_contact, key=key, thresholds=thresholds
        )
    if as_json:
        import dataclasses

        row = dataclasses.asdict(summary)
        row["next_sequence_number"] = row.pop("next_seq")
        output.print_json({**row, "archive": str(archive)})
    else:
        rate = summary.bytes_on_wire / max(summary.seconds, 1e-6) / 1000
        output.say(
            f"board {summary.device}, log {summary.log}: {_many(summary.records, 'new record')} in "
            f"{_many(summary.segments, 'segment')}, {summary.bytes_moved:,} bytes in {summary.seconds:.1f} s "
            f"({rate:.0f} kB/s)"
        )
        for line in summary.warnings:
            output.say(f"note: {line}")
        for line in summary.healed:
            output.say(f"healed: {line}")
        chain = f"; chained by {summary.chain}" if summary.chain else ""
        sealed = f"; {summary.seal}" if summary.seal else ""
        output.say(f"archive: {archive}{chain}{sealed}")
    return 1 if summary.warnings else 0


def read_by(config: Path | None, archive: Path) -> "Thresholds | None":
    """The thresholds that a pull keeps. A wrong skid.toml is said, but is no reason not to pull."""
    from skidwright.register import thresholds_today

    try:
        return thresholds_today(options.found_config(config), archive)
    except ConfigError as error:
        click.echo(f"warning: {error}; new samples are read by the thresholds kept before", err=True)
        return None


def _many(count: int, what: str) -> str:
    return f"{count:,} {what}{'' if count == 1 else 's'}"


class _bar:  # noqa: N801 - used as a function
    """A progress bar on stderr, fed with the pull's progress; nothing when quiet or not a terminal."""

    def __init__(self, quiet: bool) -> None:
        self._quiet = quiet
        self._progress: Any = None

    def __enter__(self) -> Any:
        from skidwright.cli import output

        console = output.console(stderr=True)
        if self._quiet or not console.is_terminal:
            return None
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        columns = (
            TextColumn("pulling"),
            BarColumn(),
            MofNCompleteColumn(),
            TextColumn("segments"),
            TimeRemainingColumn(),
        )
        self._progress = Progress(*columns, console=console, transient=True)
        self._progress.start()
        task = self._progress.add_task("pulling", total=None)

        def advance(step: Any) -> None:
            self._progress.update(task, total=step.segments_total, completed=step.segments)

        return advance

    def __exit__(self, *_error: object) -> None:
        if self._progress is not None:
            self._progress.stop()


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
    from skidwright.link import prompt
    from skidwright.log import seal as log_keys

    if (port is None) == (image is None):
        raise click.UsageError("give either PORT or --image FILE")
    if image is not None:
        raw, where = salvaging.read_image(image), str(image)
    else:
        assert port is not None
        raw, where = prompt.read(port), port
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
