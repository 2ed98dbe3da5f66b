"""Which pulled logs a command works on."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from skidwright.config import Config
from skidwright.errors import ArchiveError

if TYPE_CHECKING:
    from skidwright.samples.assessment import Assessment

Command = TypeVar("Command", bound=Callable[..., Any])


def device_option(command: Command) -> Command:
    """`--device HEX`, passed on as `device: str`."""
    return click.option("--device", default="", help="Only the board whose id begins so.")(command)


def asset_option(command: Command) -> Command:
    """`--asset N`, repeatable, passed on as `asset: tuple[int, ...]`."""
    return click.option("--asset", multiple=True, type=int, help="Only this asset number; may be repeated.")(
        command
    )


def log_paths(archive: Path, device: str = "") -> list[Path]:
    """The log files of an archive, by board and age. Raises ArchiveError when there are none.

    What is named like a log and is no file is left unread; one line on stderr names it.
    """
    from skidwright.archive.folder import Archive

    opened = Archive.open(archive)
    devices = [found for found in opened.devices() if found.startswith(device.lower())]
    paths = [opened.log_path(found, log) for found in devices for log in opened.logs(found)]
    strange = [str(path) for found in devices for path in opened.no_logs(found)]
    if strange and not paths:
        raise ArchiveError(
            "named like a log but no file", strange[0], "move it away, and pull or copy the log"
        )
    if strange:
        click.echo(f"warning: named like a log but no file, left unread: {', '.join(strange)}", err=True)
    if not paths:
        what = f"no log of a board {device}…" if device else "no logs yet"
        raise ArchiveError(what, str(archive), "run `skidwright pull PORT` first")
    return paths


def assess(
    archive: Path,
    config: Config,
    device: str = "",
    assets: tuple[int, ...] = (),
    keys: Sequence[bytes] = (),
) -> "list[Assessment]":
    """All logs of an archive, gone through once. Raises ArchiveError, KeyFileError and OSError.

    ArchiveError also when one of `assets` has no samples. Chains are tried with `keys`, or with those kept
    for the board when there are none.
    """
    from skidwright.log import chain
    from skidwright.log import seal as log_keys
    from skidwright.samples.assessment import Assessment

    paths = log_paths(archive, device)
    logs = [
        Assessment(
            path,
            config.limits(),
            config.board,
            chain.fitting_key(path, keys or log_keys.of(path.parent.name)),
        )
        for path in paths
    ]
    there = sorted({number for log in logs for number in log.assets})
    for number in assets:
        if number not in there:
            have = ", ".join(map(str, there)) or "no samples at all"
            raise ArchiveError(f"no samples of asset {number}", str(archive), f"there are: {have}")
    return logs


def tell_thresholds(config: Config, archive: Path) -> None:
    """One line on stderr when skid.toml says other thresholds than those the newest samples are read by."""
    from skidwright.archive import kept_settings
    from skidwright.cli.thresholds import differences
    from skidwright.register import thresholds_today

    kept = kept_settings.newest(archive)
    names = list(differences(kept.thresholds, thresholds_today(config, archive))) if kept else []
    if names:
        more = f" and {len(names) - 3} more" if len(names) > 3 else ""
        what = f"skid.toml now says another {', '.join(names[:3])}{more}"
        click.echo(f"note: {what}; what was pulled is read as before: see `skidwright thresholds`", err=True)


def tell_unproven(logs: "list[Assessment]") -> None:
    """One line on stderr for each log whose key was not tried, does not fit, or is missing from it."""
    for log in logs:
        chain = log.chain
        if chain.without_key or chain.wrong_key or chain.unchained:
            click.echo(f"note: {log.path}: protected by {chain.protection}", err=True)


def tell_damage(logs: "list[Assessment]") -> None:
    """One line on stderr for each log that is damaged or not complete."""
    for log in logs:
        if not log.report.ok:
            wrong = ", ".join(f"{n:,} x {kind}" for kind, n in sorted(log.report.totals.items()))
            lost = f", {log.report.missing_records:,} lost" if log.report.missing_records else ""
            click.echo(f"note: {log.path}: {wrong}{lost}; `skidwright check` says where", err=True)
