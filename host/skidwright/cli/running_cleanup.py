"""What a command says and asks before it ends a clean-up run that goes on, and what is true afterwards."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from skidwright.cli import cautions, consent

if TYPE_CHECKING:
    from skidwright.link.session import Session


def ask_before_end(session: Session, yes: bool) -> bool:
    """Whether a clean-up goes on that the user agrees to end. Raises Abort when not, UsageError."""
    run = session.status().get("cleanup", {})
    if not run.get("running"):
        return False
    said = f"This ends the clean-up of asset {run.get('asset')}"
    if not yes:
        consent.ask(f"{said}.")
    click.echo(f"{said}: its output goes off, and it does not go on by itself afterwards.", err=True)
    if not consent.agreed("Go on?", yes):
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
        return [*lines, f"The skid is in state {state.get('state')}. {cautions.MAY_START}"]
    by_power = "; with autostart = 1 it also does when its power comes back"
    return [
        *lines,
        f"The skid is in standby: it starts when told to (`skidwright tell {session.where} start`)"
        + (by_power if session.settings().get("autostart") else ""),
    ]
