"""Checks of the circuit and the wiring together."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from skidwright.rig.wiring.model import Problem

from ..front_end import parts
from ..front_end.parts import FrontEnd
from ..wiring import model as wiring_model
from ..wiring.checks import check_wiring
from ..wiring.model import Wiring
from . import model, stop_proof
from .as_wired import build
from .model import Circuit


def check_circuit(circuit: Circuit, wiring: Wiring) -> list[Problem]:
    """Everything wrong with the circuit as the terminal table has it wired; empty when there is nothing."""
    return [*_nets(circuit, wiring), *_stop_chain(circuit, wiring)]


def _nets(circuit: Circuit, wiring: Wiring) -> list[Problem]:
    """Every net has two ends or more, and each terminal something behind it."""
    inside = {net for p in circuit.parts for net in p.pins.values() if net}
    ends = Counter(net for p in circuit.parts for net in p.pins.values() if net)
    ends.update(wiring.net_behind(net) for d in wiring.devices for net in d.pins.values())
    # Pins of the board that no signal uses hang in the air; screens and earth end at the box itself.
    spare = {f"gp{n}" for n in range(30)} - {f"gp{s.gpio}" for s in wiring.signals}
    # An output that gave way to an option ends at its driver.
    spare |= {f"selector_{n}" for n in range(1, 9)} - {s.name for s in wiring.signals}
    problems = [
        Problem("net-loose", net, "has one end only; join it to something or take it out")
        for net, n in sorted(ends.items())
        if n < 2 and net not in spare
    ]
    # A net between devices alone, from terminal to terminal, needs nothing behind it; a supply does.
    fed = {s.name for s in wiring.supplies}
    for c in wiring.connectors:
        for t in c.terminals:
            net = wiring.net_behind(t.carries)
            if net not in inside | {"screen", "protective_earth"} and (ends[net] < 2 or net in fed):
                text = f"carries '{t.carries}', and nothing in the box is on it"
                problems.append(Problem("terminal-empty", f"{c.id}.{t.number}", text))
    return problems


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
    circuits: tuple[Circuit, ...]  # one for each of wiring.combinations()

    @property
    def circuit(self) -> Circuit:
        """The circuit without any option."""
        return self.circuits[0]

    def problems(self) -> list[Problem]:
        """Everything wrong with them; the circuit is looked at once the wiring is sound."""
        found = check_wiring(self.wiring)
        if found:
            return found
        for taken, circuit in zip(self.wiring.combinations(), self.circuits, strict=True):
            label = f" (option {' and '.join(sorted(taken))})" if taken else ""
            for p in check_circuit(circuit, self.wiring.with_options(taken)):
                if p not in found:
                    found.append(Problem(p.rule, p.where + label, p.text))
        return found


def load(directory: Path) -> Hardware:
    """wiring.toml, front_end.toml and circuit.toml of a directory. Raises RigError when one is wrong."""
    wiring = wiring_model.load(directory / "wiring.toml")
    front_end = parts.load(directory / "front_end.toml")
    circuits = tuple(
        model.load(directory / "circuit.toml", front_end, wiring, taken) for taken in wiring.combinations()
    )
    return Hardware(wiring, front_end, circuits)
