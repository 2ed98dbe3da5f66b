"""Checks of the circuit and the wiring together."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from ..front_end import parts
from ..front_end.parts import FrontEnd
from ..wiring import model as wiring_model
from ..wiring.checks import check_wiring
from ..wiring.model import Wiring
from ..wiring.problem import Problem
from . import model, stop_proof
from .as_wired import build
from .model import Circuit


def check_circuit(circuit: Circuit, wiring: Wiring) -> list[Problem]:
    """Everything wrong with the circuit as the terminal table has it wired; empty when there is nothing."""
    return _stop_chain(circuit, wiring)


def _stop_chain(circuit: Circuit, wiring: Wiring) -> list[Problem]:
    skid = build(circuit, wiring)
    problems = [Problem("stop-chain", "as wired", said) for said in stop_proof.sound(skid)]
    if problems:
        return problems
    for name, faults in stop_proof.single_faults(skid):
        if name.startswith(("broken", "on earth")):
            # from the start, and while the pump runs
            for since in (0, stop_proof.RUNNING):
                wrong = stop_proof.broken_rules(skid.with_faults(faults), since)
                problems += [Problem("stop-chain", name, said) for said in wrong[:1]]
    return problems


@dataclass(frozen=True)
class Hardware:
    """The three files that describe the box."""

    wiring: Wiring
    front_end: FrontEnd
    circuit: Circuit

    def problems(self) -> list[Problem]:
        """Everything wrong with them; the circuit is looked at once the wiring is sound."""
        return check_wiring(self.wiring) or check_circuit(self.circuit, self.wiring)


def load(directory: Path) -> Hardware:
    """wiring.toml, front_end.toml and circuit.toml of a directory. Raises RigError when one is wrong."""
    front_end = parts.load(directory / "front_end.toml")
    return Hardware(
        wiring_model.load(directory / "wiring.toml"),
        front_end,
        model.load(directory / "circuit.toml", front_end),
    )
