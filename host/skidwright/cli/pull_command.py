"""`skidwright pull`: brings the archive up to date with a board."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options
from skidwright.errors import ConfigError

if TYPE_CHECKING:
    from skidwright.archive.kept_thresholds import Thresholds


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
    from skidwright.log import keys as log_keys

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
