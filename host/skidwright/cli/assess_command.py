"""`skidwright assess`: which asset needs attention first, and why."""

from pathlib import Path

import click

from skidwright.cli import asset_options, options, selection
from skidwright.config import Config


@click.command(short_help="Say which asset needs attention first, and why.")
@options.archive_option
@options.config_option
@selection.device_option
@selection.asset_option
@options.key_option
@click.option(
    "--at", "at", type=asset_options.Moment(), metavar="TIME",
    help="As things stood then, in UTC, such as 2026-03-31 or 2026-03-31T14:00Z.  [default: now]",
)  # fmt: skip
@options.json_option
def assess(
    archive: Path,
    config: Config,
    device: str,
    asset: tuple[int, ...],
    keys: list[bytes],
    at: int | None,
    as_json: bool,
) -> int:
    """Judge every asset over time and rank them by what needs attention.

    Looked at are target and water limit (with the chance that the target is met), trends, change points,
    control charts, when a limit will be passed, and whether sampling or calibration is overdue. With --asset
    everything found is shown, with hints on what may be behind it. How each figure is got, how often it
    errs and what it cannot see: docs/judgement.md.

    \b
    Examples:
      skidwright assess
      skidwright assess --asset 2
      skidwright assess --at 2026-03-31 --json

    Exit status 1: an asset needs attention, or a log is damaged or not complete.
    """
    import numpy as np

    from skidwright.cli import assess_view, moment, output
    from skidwright.register import known_assets
    from skidwright.standing import plain, standing

    known = known_assets(config, archive)
    logs = selection.assess(archive, known.config, device, asset, keys)
    selection.tell_damage(logs)
    now = np.datetime64(at, "ms") if at is not None else moment.now()
    found = standing.standings(logs, known, archive, now, asset, as_of_then=at is not None)
    if as_json:
        output.print_json(
            {"at": f"{now.astype('datetime64[s]')}Z", "assets": [plain.row_of(one) for one in found]}
        )
    elif asset:
        for one in found:
            assess_view.show(one)
    else:
        assess_view.rank(found)
    return 1 if any(one.level for one in found) or not all(log.report.ok for log in logs) else 0
