"""`skidwright order`: in which order to sample the assets, and how much to purge for each."""

import math
from pathlib import Path
from typing import Any

import click

from skidwright.cli import options, selection
from skidwright.config import Config

# The board purges more than is needed where few particles leave open how clean an asset is.
LIMIT_OVER_NEEDED = 2


@click.command(short_help="Say in which order to sample the assets, and how much to purge for each.")
@options.archive_option
@options.config_option
@selection.device_option
@selection.asset_option
@options.key_option
@options.json_option
def order(
    archive: Path,
    config: Config,
    device: str,
    asset: tuple[int, ...],
    keys: list[bytes],
    as_json: bool,
) -> int:
    """Advise the order of assets in which purging takes least, and the purge volumes that go with it.

    How dirty each asset is comes from its newest valid samples. What a purge leaves of the fluid before
    follows from the line's volume, and how much may be left over from the check `purge-carryover`. The order
    in skid.toml is that of the selector valves: whoever changes it has to change their wiring or hoses too.

    \b
    Examples:
      skidwright order
      skidwright order --asset 1 --asset 4
      skidwright order --json

    Exit status 1: an asset has no sample that says how dirty it is, or a log is damaged or not complete.
    """
    from skidwright.cli import output
    from skidwright.register import known_assets
    from skidwright.samples import history, purging

    config = known_assets(config, archive).config
    logs = selection.assess(archive, config, device, asset, keys)
    selection.tell_damage(logs)
    found = {n: purging.level(h) for n, h in history.histories(logs).items() if not asset or n in asset}
    levels = {number: level for number, level in found.items() if level is not None}
    unknown = sorted(set(found) - set(levels))
    in_force, limits = config.board_in_force(), config.limits()
    line = purging.PurgedLine(
        (limits.line_volume_ul or in_force["line_volume_ul"]) / 1000,
        in_force["sample_volume_ul"] / 1000,
        (limits.carryover_percent or in_force["carryover_percent"]) / 100,
        limits.purge_least_volumes,
    )
    now = [number for number in in_force["assets"] if number in levels]
    now += [number for number in sorted(levels) if number not in now]
    answer: dict[str, Any] = {"unknown": unknown, "line_volume_ml": line.volume_ml}
    answer["now"] = answer["advised"] = None
    if levels:
        advised, present = purging.least(levels, line), purging.in_order(now, levels, line)
        if present.round_ml <= advised.round_ml * (1 + 1e-9):
            advised = present
        answer["now"], answer["advised"] = (_plain(o, levels, config) for o in (present, advised))
    if as_json:
        output.print_json(answer)
    else:
        _show(answer)
    return 1 if unknown or not levels or not all(log.report.ok for log in logs) else 0


def _plain(order: Any, levels: Any, config: Config) -> dict[str, Any]:
    """An order for programs: the volumes to set are whole mL, upwards."""
    most = max(order.purge_ml)
    return {
        "assets": list(order.assets),
        "round_ml": round(order.round_ml, 1),
        "purge_volume_ul": 1000 * math.ceil(min(order.purge_ml)),
        "purge_limit_ul": 1000 * math.ceil(LIMIT_OVER_NEEDED * most),
        "steps": [
            {
                "asset": number,
                "name": config.asset(number).name,
                "per_ml": [round(float(n), 3) for n in levels[number].per_ml],
                "certain": levels[number].certain,
                "purge_ml": round(needed, 1),
            }
            for number, needed in zip(order.assets, order.purge_ml, strict=True)
        ],
    }


def _show(answer: dict[str, Any]) -> None:
    from skidwright.cli import output

    for number in answer["unknown"]:
        output.say(f"asset {number}: no sample says how dirty it is; it is left out")
    advised, now = answer["advised"], answer["now"]
    if advised is None:
        return
    output.print_table(
        (">asset", "name", ">>=4 um(c) per mL", ">purge, mL", ""),
        [
            (
                step["asset"],
                step["name"],
                f"{step['per_ml'][0]:.4g}",
                f"{step['purge_ml']:.0f}",
                "" if step["certain"] else "no valid sample: may be cleaner and need more",
            )
            for step in advised["steps"]
        ],
        title="Sample in this order, round and round",
    )
    if advised["assets"] == now["assets"]:
        output.say(f"That is the order as it is; a round needs {now['round_ml']:.0f} mL.")
    else:
        output.say(
            f"A round needs {advised['round_ml']:.0f} mL; in the order as it is, "
            f"{', '.join(map(str, now['assets']))}, {now['round_ml']:.0f} mL."
        )
    output.say(
        f"In [board] of skid.toml: purge_volume_ul = {advised['purge_volume_ul']}, and purge_limit_ul = "
        f"{advised['purge_limit_ul']} or more: the board purges on by itself where more is needed."
    )
