"""Plays a whole scenario: the skid's time runs, and at its contacts a host comes by and pulls the log."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from skidwright.archive.folder import Archive
from skidwright.archive.pull import PullSummary, pull
from skidwright.config import Config, parse
from skidwright.errors import Refused
from skidwright.link.session import Session
from skidwright.sim.runner import VirtualSkid
from skidwright.sim.scenario_keys import PlantContact, Scenario

HOST_TEXT = "skidwright"


@dataclass
class Played:
    """What came of it: one pull a contact that pulled, and what the board refused, one line each."""

    pulls: list[PullSummary] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


def play(skid: VirtualSkid, archive: Path | str, progress: Callable[[float], None] | None = None) -> Played:
    """Run a started skid through its scenario, contacts included, into the archive folder.

    `progress` gets the virtual seconds so far. Raises SimError, LinkError, PortError, ArchiveError.
    """
    played = Played()
    scenario = skid.scenario
    for contact in scenario.contact:
        skid.run_until(contact.at_s, progress)
        with skid.contact() as port:
            _meet(skid, port, contact, Path(archive), played)
    if skid.now_s < scenario.duration_s:
        skid.run_until(scenario.duration_s, progress)
    return played


def _meet(skid: VirtualSkid, port: str, contact: PlantContact, archive: Path, played: Played) -> None:
    """One contact: commands, the mark, then the pull."""
    with Session.open(port) as session:
        session.hello()
        commands = list(contact.commands)
        if contact.mark:
            commands.append(f"mark {contact.mark}")
        for command in commands:
            try:
                session.command(command)
            except Refused as refusal:
                played.refused.append(f"at {contact.at_s:.0f} s: {refusal.what}")
        if contact.pull:
            played.pulls.append(pull(session, Archive.create(archive), clock=skid.utc_ms, host=HOST_TEXT))


def config_of(scenario: Scenario, path: Path) -> Config:
    """The skid.toml that somebody who built this scenario's skid would write, as if read from `path`."""
    assets = []
    for asset in scenario.asset:
        table: dict[str, object] = {"number": asset.number, "name": asset.name, "machine": asset.machine,
                                    "fluid": asset.fluid}  # fmt: skip
        if asset.target:
            table["target"] = asset.target
        if asset.water_limit_percent >= 0:
            table["water_limit_percent"] = asset.water_limit_percent
        if asset.coldest_c >= -60:
            table["coldest_c"] = asset.coldest_c
        assets.append(table)
    counter = {}
    if scenario.sensor.sensing_volume_nl > 0:
        counter["sensing_volume_ml"] = scenario.sensor.sensing_volume_nl * 1e-6
    return parse(
        {
            "board": dict(scenario.settings),
            "asset": assets,
            "counter": counter,
        },
        path,
    )
