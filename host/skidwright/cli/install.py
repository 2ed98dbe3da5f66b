"""skidwright ports, install and settings: find the board, put the firmware on it, show and send its
settings."""

import contextlib
from pathlib import Path
from typing import Any

import click

from skidwright.cli import options, output
from skidwright.config import Config
from skidwright.errors import NotASkid, PortBusy, PortDenied, PortNotFound, SkidwrightError

PROBE_S = 0.6


@click.command(short_help="List serial ports and mark the skids among them.")
@click.option("--no-probe", is_flag=True, help="Only list; ask nobody who they are.")
@click.option("--every", is_flag=True, help="Ask at every port, not only where a board is likely.")
@click.argument("more", nargs=-1, metavar="[PORT]...")
@options.json_option
def ports(no_probe: bool, every: bool, more: tuple[str, ...], as_json: bool) -> None:
    """List the serial ports of this machine and mark the skids among them.

    A port that is likely to be a board (by its USB numbers) is asked who it is, for at most about a second.
    Other ports are left alone unless --every is given, for a question may upset what is connected. Further
    ports, such as socket://HOST:PORT, may be named.

    \b
    Examples:
      skidwright ports
      skidwright ports --json
    """
    from skidwright.link.port import PortInfo, list_ports

    found = [*list_ports(), *(PortInfo(name, "named by you", "", True) for name in more)]
    rows = [_row(port, probe=not no_probe and (every or port.likely)) for port in found]
    if as_json:
        output.print_json({"ports": rows})
    elif rows:
        shown = [(r["port"], r["answer"], r["device"] or "", r["description"], r["usb"]) for r in rows]
        output.print_table(("port", "what answers", "board", "description", "USB"), shown)
    else:
        output.say("no serial ports here: plug the board in (or try the cable: some carry power only)")


def _row(port: Any, probe: bool) -> dict[str, Any]:
    row: dict[str, Any] = {
        "port": port.name,
        "skid": None,
        "answer": "not asked",
        "device": None,
        "firmware": None,
        "description": port.description,
        "usb": port.usb_id,
    }
    if not probe:
        return row
    from skidwright.errors import LinkError, PortError, ProtocolMismatch
    from skidwright.link.session import Session

    try:
        with Session.open(port.name, timeout_s=PROBE_S, tries=2) as session:
            hello = session.hello()
        answer = f"skid, skidboard {hello.firmware}"
        row.update(skid=True, device=hello.device, firmware=hello.firmware, answer=answer)
    except ProtocolMismatch as error:
        row.update(skid=True, answer=error.what)
    except (LinkError, PortError) as error:
        row.update(skid=False, answer=error.what)
    return row


@click.command(short_help="Put the firmware and your settings on a board.")
@options.port_argument
@options.config_option
@click.option("--no-settings", is_flag=True, help="Leave the settings on the board as they are.")
@options.key_option
@click.option("--new-key", is_flag=True, help="Make a key for the log of this board and keep it here.")
@click.option("--no-start", is_flag=True, help="Leave the board at its prompt afterwards.")
@click.option("--yes", is_flag=True, help="End a clean-up that goes on without asking.")
@options.json_option
def install(
    port: str,
    config: Config,
    no_settings: bool,
    keys: list[bytes],
    new_key: bool,
    no_start: bool,
    yes: bool,
    as_json: bool,
) -> None:
    """Put the firmware, and the settings of skid.toml, on the board at PORT; then start it.

    The board must run MicroPython. A skid that is running is asked to stop its pump and leave first, which
    ends a clean-up; its log is kept. Only what differs is sent, and every file is read back and compared by
    SHA-256.

    With a key on the board the log is chained by HMAC, so that nobody without the key can change it unseen.
    The key is kept in the user's data directory, outside the archive; `pull`, `check` and `report` find it
    there. Keep a copy: without it nobody can verify the log.

    \b
    Examples:
      skidwright install /dev/ttyACM0
      skidwright install COM5 --config shop.toml
      skidwright install /dev/ttyACM0 --new-key
    """
    from skidwright.cli.progress import steps
    from skidwright.link import install as installing
    from skidwright.log import seal as log_keys

    if new_key and (keys or no_start):
        raise click.UsageError("--new-key goes with neither --key nor --no-start")
    settings = None if no_settings or config.path is None else config.board_in_force()
    _ask_a_running_skid(port, yes)
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
    output.say(
        f"the board runs the sources, and starts some seconds later: {summary.sources}"
        if summary.sources
        else "the board runs byte code"
    )
    if place is not None:
        output.say(f"the log is chained with a key, kept in {place}: keep a copy of that file")
    if settings is None and not no_settings:
        output.say("note: no skid.toml was found, so the board keeps its settings (see docs/skid.toml)")
    if not no_start:
        output.say(output.MAY_START)


def _ask_a_running_skid(port: str, yes: bool) -> None:
    """Raise Abort when the user wants a clean-up to go on. A board that does not answer has none."""
    from skidwright.cli import pump_state
    from skidwright.errors import LinkError
    from skidwright.link.session import Session

    with Session.open(port, timeout_s=1.0, tries=1) as session, contextlib.suppress(LinkError):
        pump_state.ask_before_end(session, yes)


class _NewKey:
    """A key made for a board whose name is not known yet: in a file of its own until it is."""

    def __init__(self, wanted: bool) -> None:
        from skidwright.log import seal as log_keys

        self.key = log_keys.make() if wanted else None
        if self.key is not None:
            self._path = log_keys.folder() / f"new-{self.key[:4].hex()}.key"
            log_keys.write(self._path, [self.key])

    def __enter__(self) -> None:
        return

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if self.key is None:
            return
        if error is None or isinstance(error, (PortNotFound, PortBusy, PortDenied, NotASkid)):
            self._path.unlink(missing_ok=True)
        elif isinstance(error, SkidwrightError):
            remedy = f"{error.remedy}; the key is in {self._path}: give --key with it"
            raise type(error)(error.what, error.where, remedy) from None


@click.command(short_help="Show the settings of a running skid, or send yours.")
@options.port_argument
@options.config_path_option
@click.option("--send", is_flag=True, help="Put the settings of skid.toml in force first.")
@click.option("--changed", is_flag=True, help="Show only those that differ from the defaults.")
@click.option("--yes", is_flag=True, help="Send without asking, also when that ends a clean-up.")
@options.json_option
def settings(port: str, config: Path | None, send: bool, changed: bool, yes: bool, as_json: bool) -> int:
    """Show the settings in force on the skid at PORT; with --send put those of skid.toml in force first.

    What each one means, with unit and range: docs/settings.md. Each change is recorded in the log. What
    skid.toml does not name is sent as its default: put gains from `tune` and figures from `calibrate` there
    too. A change gives up the sample under way and ends a clean-up that goes on; it asks before that.

    \b
    Examples:
      skidwright settings /dev/ttyACM0
      skidwright settings /dev/ttyACM0 --send

    Exit status 1: skid.toml is there and says something else than the board has, or cannot be read.
    """
    from skidwright.cli import pump_state
    from skidwright.link.session import Session

    mine, wrong = _mine(config, send)
    changes: dict[str, Any] | None = None
    after: list[str] = []
    with Session.open(port) as session:
        session.hello()
        found = session.settings()
        if send and mine is not None:
            before, differing = found, _differing(found, mine)
            ended = bool(differing) and pump_state.ask_before_end(session, yes)
            session.put_settings(mine)
            found = session.settings()
            changes = {name: [before.get(name), found.get(name)] for name in _differing(found, before)}
            after = pump_state.after_settings(session, ended)
    differing = _differing(found, mine or {})
    status = 1 if differing or wrong else 0
    if as_json:
        content = {"settings": found, "changed": None if changes is None else len(changes)}
        output.print_json({**content, "changes": changes, "differing": None if wrong else differing})
    else:
        _show(found, {name: (mine or {})[name] for name in differing}, changed)
        for line in [*_in_words(changes), *after]:
            output.say(line)
    if wrong:
        click.echo(f"note: not compared with skid.toml: {wrong}", err=True)
    return status


def _mine(config: Path | None, send: bool) -> tuple[dict[str, Any] | None, str]:
    """The settings of skid.toml, None without one; and why it cannot be read, which only sending needs."""
    from skidwright.errors import ConfigError

    try:
        found = options.found_config(config)
    except ConfigError as error:
        if send:
            raise
        return None, str(error)
    if found.path is None:
        if send:
            raise ConfigError(
                "no skid.toml to send", "settings --send", "give --config FILE, or copy docs/skid.toml"
            )
        return None, ""
    return found.board_in_force(), ""


def _show(found: dict[str, Any], mine: dict[str, Any], changed: bool) -> None:
    """The settings in force as a table, beside them what skid.toml says otherwise."""
    from skidboard import settings as table

    defaults = table.defaults()
    rows = [
        (
            name,
            value,
            table.TABLE[name][0] if name in table.TABLE else "",
            defaults.get(name, ""),
            f"skid.toml: {mine[name]}" if name in mine else "",
        )
        for name, value in sorted(found.items())
        if not changed or value != defaults.get(name)
    ]
    output.print_table(("setting", ">in force", "unit", ">default", ""), rows)


def _in_words(changes: dict[str, Any] | None) -> list[str]:
    """What sending has changed, by name."""
    if changes is None:
        return []
    if not changes:
        return ["nothing changed: the board had these settings already"]
    said = ", ".join(f"{name} {old} -> {new}" for name, (old, new) in sorted(changes.items()))
    return [f"{len(changes)} {'setting' if len(changes) == 1 else 'settings'} changed: {said}"]


def _differing(found: dict[str, Any], wanted: dict[str, Any]) -> list[str]:
    return sorted(name for name, value in wanted.items() if found.get(name) != value)
