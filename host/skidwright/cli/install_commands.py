"""`install` and `settings`: what goes onto a board."""

from typing import Any

import click

from skidwright.cli import cautions, options
from skidwright.config import Config
from skidwright.errors import PortBusy, PortDenied, PortNotFound, SkidwrightError


@click.command(short_help="Put the firmware and your settings on a board.")
@options.port_argument
@options.config_option
@click.option("--no-settings", is_flag=True, help="Leave the settings on the board as they are.")
@options.key_option
@click.option("--new-key", is_flag=True, help="Make a key for the log of this board and keep it here.")
@click.option("--no-start", is_flag=True, help="Leave the board at its prompt afterwards.")
@options.json_option
def install(
    port: str,
    config: Config,
    no_settings: bool,
    keys: list[bytes],
    new_key: bool,
    no_start: bool,
    as_json: bool,
) -> None:
    """Put the firmware, and the settings of skid.toml, on the board at PORT; then start it.

    The board must run MicroPython. A skid that is running is asked to stop its pump and leave first; its
    log is kept. Only what differs is sent, and every file is read back and compared by SHA-256.

    With a key on the board the log is chained by HMAC, so that nobody without the key can change it unseen.
    The key is kept in the user's data directory, outside the archive; `pull`, `check` and `report` find it
    there. Keep a copy: without it nobody can verify the log.

    \b
    Examples:
      skidwright install /dev/ttyACM0
      skidwright install COM5 --config shop.toml
      skidwright install /dev/ttyACM0 --new-key
    """
    from skidwright.cli import output
    from skidwright.cli.progress import steps
    from skidwright.link import install as installing
    from skidwright.log import keys as log_keys

    if new_key and (keys or no_start):
        raise click.UsageError("--new-key goes with neither --key nor --no-start")
    settings = None if no_settings or config.path is None else config.board_in_force()
    pending = _NewKey(new_key)
    with steps() as step, step(f"installing on {port}", 1) as advance:

        def progress(done: int, total: int, _path: str) -> None:
            advance(done / max(total, 1))

        key = keys[-1] if keys else pending.key
        with pending:
            summary = installing.install(
                port, settings=settings, key=key, start=not no_start, progress=progress
            )
            place = log_keys.remember(summary.device, key) if key and summary.device else None
    if as_json:
        import dataclasses

        output.print_json({"port": port, **dataclasses.asdict(summary)})
        return
    output.say(
        f"installed on {port} in {summary.seconds:.0f} s: {len(summary.sent)} files sent, "
        f"{len(summary.unchanged)} already there, {len(summary.removed)} removed, all verified"
    )
    if place is not None:
        output.say(f"the log is chained with a key, kept in {place}: keep a copy of that file")
    if settings is None and not no_settings:
        output.say("note: no skid.toml was found, so the board keeps its settings (see docs/skid.toml)")
    if not no_start:
        output.say(cautions.MAY_START)


class _NewKey:
    """A key made for a board whose name is not known yet: in a file of its own until it is."""

    def __init__(self, wanted: bool) -> None:
        from skidwright.log import keys as log_keys

        self.key = log_keys.make() if wanted else None
        if self.key is not None:
            self._path = log_keys.folder() / f"new-{self.key[:4].hex()}.key"
            log_keys.write(self._path, [self.key])

    def __enter__(self) -> None:
        return

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if self.key is None:
            return
        if error is None or isinstance(error, (PortNotFound, PortBusy, PortDenied)):
            self._path.unlink(missing_ok=True)
        elif isinstance(error, SkidwrightError):
            remedy = f"{error.remedy}; the key is in {self._path}: give --key with it"
            raise type(error)(error.what, error.where, remedy) from None


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
    from skidwright.link.session import Session

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
        output.say(cautions.MAY_START)
    return 1 if differing else 0


def _differing(found: dict[str, Any], config: Config) -> list[str]:
    return sorted(name for name, value in config.board_in_force().items() if found.get(name) != value)
