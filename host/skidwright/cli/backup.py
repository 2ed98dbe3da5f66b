"""`skidwright backup` and `restore`: what cannot be rebuilt from the raw segments."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options
from skidwright.cli.asset_options import counted
from skidwright.config import Config

if TYPE_CHECKING:
    from skidwright.register.backup import Backup


@click.command(short_help="Back up the register, skid.toml and calibrations.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--calibration", "given", multiple=True, type=click.Path(path_type=Path, exists=True),
              help="A file of `calibrate`, or a folder with some; may be repeated. Those beside skid.toml "
                   "and in this folder are found without.")  # fmt: skip
@options.archive_option
@options.config_option
@options.json_option
def backup(file: Path, given: tuple[Path, ...], archive: Path, config: Config, as_json: bool) -> None:
    """Write the register (machines, notes, maintenance, papers, receipts), skid.toml and the files of
    `calibrate` to FILE, a ZIP.

    The logs are not in it: they are files of their own in the archive, which only ever grow. Copy them with
    whatever copies files.

    \b
    Examples:
      skidwright backup register-2026-03.zip
    """
    from skidwright.cli import output
    from skidwright.register import backup as keeping
    from skidwright.register import kept_calibrations

    beside = [Path(), *([config.path.parent] if config.path is not None else [])]
    made = keeping.write(file, archive, config.path, kept_calibrations.found_in(beside, given))
    if as_json:
        output.print_json({"file": str(file), **_row(made)})
    else:
        output.say(f"{_words(made)} written to {file} and read back")


@click.command(short_help="Bring a backup back, or verify it.")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--verify", is_flag=True, help="Only verify the backup; nothing is written.")
@click.option("--overwrite", is_flag=True, help="Replace what is there and differs.")
@click.option("--skid-toml", type=click.Path(path_type=Path, dir_okay=False), default=Path("skid.toml"),
              show_default=True, help="Where skid.toml goes; calibrations go beside it.")  # fmt: skip
@options.archive_option
@options.json_option
def restore(file: Path, verify: bool, overwrite: bool, skid_toml: Path, archive: Path, as_json: bool) -> None:
    """Bring the register into the archive, skid.toml and calibrations to their place, after all digests were
    verified.

    Whatever is there and differs is left, and the command refuses, unless --overwrite is given.

    \b
    Examples:
      skidwright restore register-2026-03.zip --verify
      skidwright restore register-2026-03.zip --archive /srv/archive
    """
    from skidwright.cli import output
    from skidwright.register import backup as keeping

    found = keeping.read(file)
    written = [] if verify else keeping.restore(found, archive, skid_toml, overwrite)
    if as_json:
        output.print_json({"file": str(file), **_row(found), "written": [str(path) for path in written]})
        return
    output.say(f"{file}: {_words(found)}, of {found.utc}; all digests hold")
    for path in written:
        output.say(f"restored {path}")


def _row(backup: Backup) -> dict[str, Any]:
    return {
        "utc": backup.utc,
        "register": backup.register is not None,
        "skid_toml": backup.skid_toml is not None,
        "assets": backup.assets,
        "events": backup.events,
        "papers": backup.papers,
        "calibrations": list(backup.calibrations),
    }


def _words(backup: Backup) -> str:
    parts = []
    if backup.register is not None:
        parts.append(
            f"register ({counted(backup.assets, 'machine')}, {counted(backup.events, 'event')}, "
            f"{counted(backup.papers, 'paper')})"
        )
    if backup.skid_toml is not None:
        parts.append("skid.toml")
    if backup.calibrations:
        parts.append(counted(len(backup.calibrations), "calibration"))
    return " and ".join(filter(None, (", ".join(parts[:-1]), *parts[-1:]))) or "nothing"
