"""`skidwright thresholds`: by what pulled samples are read, and reading them by something else."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options, selection
from skidwright.config import Config
from skidwright.errors import ConfigError

if TYPE_CHECKING:
    from skidwright.archive.kept_settings import Kept, Thresholds


@click.command(short_help="Show by what the pulled samples are read; read them by today's skid.toml.")
@options.archive_option
@options.config_option
@selection.device_option
@click.option("--apply", is_flag=True, help="Read the samples by what skid.toml says now.")
@click.option(
    "--from", "from_record", type=click.IntRange(0), default=0, show_default=True, metavar="RECORD",
    help="With --apply: from this record on; earlier ones are read as before.",
)  # fmt: skip
@options.json_option
def thresholds(
    archive: Path, config: Config, device: str, apply: bool, from_record: int, as_json: bool
) -> int:
    """Show by which thresholds and fluid constants each log's samples are read, and where skid.toml differs.

    A pull keeps what skid.toml says then of `[checks]`, `[counter]` and each fluid's water_a and water_b (the
    register's too) for the samples it brings. A later skid.toml is for later samples: it changes nothing of
    these. Where it puts right what was wrong from the start, --apply reads them anew; what was kept before
    stays in the file as well. Names, targets and limits are always those of today.

    \b
    Examples:
      skidwright thresholds
      skidwright thresholds --apply
      skidwright thresholds --apply --from 5120 --device e661

    Exit status 1: today's skid.toml says something else than what the newest samples are read by.
    """
    from skidwright.archive import kept_settings
    from skidwright.cli import output
    from skidwright.link.session import system_utc_ms
    from skidwright.register import thresholds_today

    today = thresholds_today(config, archive)
    paths = selection.log_paths(archive, device)
    if apply:
        if today is None:
            raise ConfigError("no skid.toml here", "--apply", "go to its folder, or give --config")
        for path in paths:
            kept_settings.keep_thresholds(path, from_record, system_utc_ms(), today)
    rows = [_row(path, kept, today) for path in paths for kept in kept_settings.read_thresholds(path)]
    bare = [path for path in paths if not kept_settings.read_thresholds(path)]
    if as_json:
        output.print_json({"logs": rows, "without": [str(path) for path in bare]})
    else:
        shown = [(r["log"], f"{r['from_record']:,}", output.iso_ms(r["utc_ms"]), _words(r)) for r in rows]
        output.print_table(("log", ">from record", "kept", "as kept (today's skid.toml)"), shown)
        for path in bare:
            output.say(f"{path.stem}: nothing kept; read by today's skid.toml until the next pull")
    newest = {row["path"]: row["differs"] for row in rows}
    return 1 if any(newest.values()) else 0


def _row(path: Path, kept: Kept, today: Thresholds | None) -> dict[str, Any]:
    return {
        "device": path.parent.name, "log": path.stem, "path": str(path),
        "from_record": kept.from_record, "utc_ms": kept.utc_ms,
        "checks": dict(kept.thresholds.checks),
        "water": {str(number): list(pair) for number, pair in kept.thresholds.water.items()},
        "differs": differences(kept.thresholds, today),
    }  # fmt: skip


def differences(kept: Thresholds, today: Thresholds | None) -> dict[str, list[Any]]:
    """[as kept, as today] by name of what differs; nothing without a skid.toml to compare with."""
    if today is None:
        return {}
    before, now = _flat(kept), _flat(today)
    names = [name for name in {**before, **now} if before.get(name) != now.get(name)]
    return {name: [before.get(name), now.get(name)] for name in names}


def _flat(of: Thresholds) -> Mapping[str, Any]:
    return {**of.checks, **{f"water of asset {number}": tuple(pair) for number, pair in of.water.items()}}


def _words(row: dict[str, Any]) -> str:
    if not row["differs"]:
        return "the same as today"
    return ", ".join(f"{name} {_said(a)} ({_said(b)})" for name, (a, b) in row["differs"].items())


def _said(value: Any) -> str:
    if value is None:
        return "none"
    return f"{value:g}" if isinstance(value, (int, float)) else " and ".join(f"{part:g}" for part in value)
