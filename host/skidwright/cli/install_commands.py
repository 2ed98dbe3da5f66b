"""`install` and `settings`: what goes onto a board."""

from typing import Any

import click

from skidwright.cli import options
from skidwright.config import Config


@click.command(short_help="Put the firmware and your settings on a board.")
@options.port_argument
@options.config_option
@click.option("--no-settings", is_flag=True, help="Leave the settings on the board as they are.")
@click.option("--no-start", is_flag=True, help="Leave the board at its prompt afterwards.")
@options.json_option
def install(port: str, config: Config, no_settings: bool, no_start: bool, as_json: bool) -> None:
    """Put the firmware, and the settings of skid.toml, on the board at PORT; then start it.

    The board must run MicroPython. A skid that is running is asked to stop its pump and leave first; its
    log is kept. Only what differs is sent, and every file is read back and compared by SHA-256.

    \b
    Examples:
      skidwright install /dev/ttyACM0
      skidwright install COM5 --config shop.toml
    """
    from skidwright import install as installing
    from skidwright.cli import output
    from skidwright.cli.progress import steps

    settings = None if no_settings or config.path is None else config.board_in_force()
    with steps() as step, step(f"installing on {port}", 1) as advance:

        def progress(done: int, total: int, _path: str) -> None:
            advance(done / max(total, 1))

        summary = installing.install(port, settings=settings, start=not no_start, progress=progress)
    if as_json:
        import dataclasses

        output.print_json({"port": port, **dataclasses.asdict(summary)})
        return
    output.say(
        f"installed on {port} in {summary.seconds:.0f} s: {len(summary.sent)} files sent, "
        f"{len(summary.unchanged)} already there, {len(summary.removed)} removed, all verified"
    )
    if settings is None and not no_settings:
        output.say("note: no skid.toml was found, so the board keeps its settings (see docs/skid.toml)")


@click.command(short_help="Show the settings of a running skid, or send yours.")
@options.port_argument
@options.config_option
@click.option("--send", is_flag=True, help="Put the settings of skid.toml in force first.")
@click.option("--changed", is_flag=True, help="Show only those that differ from the defaults.")
@options.json_option
def settings(port: str, config: Config, send: bool, changed: bool, as_json: bool) -> int:
    """Show the settings in force on the skid at PORT; with --send put those of skid.toml in force first.

    What each one means, with unit and range: docs/settings.md. Each change is recorded in the log.

    \b
    Examples:
      skidwright settings /dev/ttyACM0
      skidwright settings /dev/ttyACM0 --send

    Exit status 1: skid.toml is there and says something else than the board has.
    """
    from skidboard import settings as table

    from skidwright.cli import output
    from skidwright.errors import ConfigError
    from skidwright.session import Session

    if send and config.path is None:
        raise ConfigError(
            "no skid.toml to send", "settings --send", "give --config FILE, or copy docs/skid.toml"
        )
    with Session.open(port) as session:
        session.hello()
        sent = session.put_settings(config.board_in_force()) if send else None
        found = session.settings()
    differing = _differing(found, config) if config.path else []
    if as_json:
        output.print_json({"settings": found, "changed": sent, "differing": differing})
        return 1 if differing else 0
    defaults = table.defaults()
    rows = [
        (name, value, table.TABLE[name][0] if name in table.TABLE else "", defaults.get(name, ""), mine)
        for name, value in sorted(found.items())
        if not changed or value != defaults.get(name)
        for mine in [f"skid.toml: {config.board_in_force()[name]}" if name in differing else ""]
    ]
    output.print_table(("setting", ">in force", "unit", ">default", ""), rows)
    if sent is not None:
        output.say(f"{sent} settings changed")
    return 1 if differing else 0


def _differing(found: dict[str, Any], config: Config) -> list[str]:
    return sorted(name for name, value in config.board_in_force().items() if found.get(name) != value)
