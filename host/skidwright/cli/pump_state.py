"""What the pump does after a command: a clean-up that runs, and the stop that is asked for until it is
answered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import options, output
from skidwright.errors import PortBusy, Refused

if TYPE_CHECKING:
    from skidwright.link.session import Session


def ask_before_end(session: Session, yes: bool) -> bool:
    """Whether a clean-up goes on that the user agrees to end. Raises Abort when not, UsageError."""
    run = session.status().get("cleanup", {})
    if not run.get("running"):
        return False
    said = f"This ends the clean-up of asset {run.get('asset')}"
    if not yes:
        options.ask(f"{said}.")
    click.echo(f"{said}: its output goes off, and it does not go on by itself afterwards.", err=True)
    if not options.agreed("Go on?", yes):
        raise click.Abort
    return True


def after_settings(session: Session, ended: bool) -> list[str]:
    """How the skid stands with the new settings: the clean-up that has `ended`, whether it starts itself."""
    from skidwright.cleanup.runs import end_text

    state: dict[str, Any] = session.status()
    run = state.get("cleanup", {})
    lines = []
    if ended:
        how, is_on = end_text(int(run.get("ended", 0))), "on" if run.get("output") else "off"
        lines.append(f"clean-up of asset {run.get('asset')}: {how}; its output is {is_on}")
    if state.get("state") != "standby":
        return [*lines, f"The skid is in state {state.get('state')}. {output.MAY_START}"]
    by_power = "; with autostart = 1 it also does when its power comes back"
    return [
        *lines,
        f"The skid is in standby: it starts when told to (`skidwright tell {session.where} start`)"
        + (by_power if session.settings().get("autostart") else ""),
    ]


if TYPE_CHECKING:
    from skidwright.link.session import Session


class StopFirst(click.Command):
    """A command whose `--stop` is carried out whatever is wrong with the values of its other options.

    A misspelt option is refused as ever, since another one may have been meant; options that cannot be read
    (a file, a folder, a number) are None then.
    """

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, without refusing a value when --stop is given."""
        given, _, _ = self.make_parser(ctx).parse_args(list(args))
        help_option = self.get_help_option(ctx)
        if not given.get("stop") or (help_option is not None and given.get(help_option.name)):
            return super().parse_args(ctx, args)
        ctx.resilient_parsing = True
        try:
            return super().parse_args(ctx, args)
        finally:
            ctx.resilient_parsing = False


def opened(port: str) -> Session:
    """A session for a stop. Raises PortBusy with what stops the skid all the same, PortError."""
    from skidwright.link.session import Session

    try:
        return Session.open(port)
    except PortBusy as busy:
        remedy = "press Ctrl-C in the window that holds it, then repeat; or open the stop chain"
        raise PortBusy(busy.what, busy.where, remedy) from None


def clean_up(port: str) -> str:
    """End the clean-up run at `port`; what became of it, in a line. Raises PortError, LinkError, Refused."""
    with opened(port) as session:
        session.insist("cleanup stop")
        run: dict[str, Any] = session.status().get("cleanup", {})
    which = f" of asset {run['asset']}" if run.get("asset") else ""
    if run.get("output"):
        raise Refused(
            f"the clean-up{which} is ended, but its output is on", port, "open the stop chain, cut the supply"
        )
    return f"cleanup: run{which} stopped, the output is off"
