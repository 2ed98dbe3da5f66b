"""The skid as a builder wires it who sees the terminal table and nothing else.

Inside the box the parts of circuit.toml are on their nets. Outside, each device's pins hang in the air until
a terminal's `to` names them; only then does a wire join the pin to the net that the terminal carries. What
the schematic says of a pin is not looked at.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from ..wiring.model import Device, Wiring
from .model import Block, Circuit


@dataclass(frozen=True)
class Wire:
    """A wire of the table: terminal, device pin, net behind the terminal."""

    terminal: str
    pin: str
    net: str

    def __str__(self) -> str:
        return f"{self.terminal} to {self.pin}"


@dataclass(frozen=True)
class Faults:
    """What is wrong in one skid: wires broken or on earth, nodes joined by mistake, contacts that stick."""

    broken: frozenset[Wire] = frozenset()
    earthed: frozenset[Wire] = frozenset()
    joined: tuple[tuple[str, str], ...] = ()
    welded: frozenset[str] = frozenset()  # "K1.23", "S2.13": the contact that starts at this pin


@dataclass(frozen=True)
class AsWired:
    """Box, devices and the wires between them."""

    circuit: Circuit
    devices: tuple[Device, ...]
    wires: tuple[Wire, ...]
    faults: Faults = field(default_factory=Faults)

    def with_faults(self, faults: Faults) -> AsWired:
        """The same skid with faults."""
        return replace(self, faults=faults)

    def only(self, blocks: tuple[str, ...], devices: tuple[str, ...], but: tuple[str, ...] = ()) -> AsWired:
        """Some blocks and devices of it, less the parts `but`, and the wires between those."""
        circuit = self.circuit.only(*blocks).without(*but)
        there = tuple(d for d in self.devices if d.id in devices)
        wires = tuple(w for w in self.wires if w.pin.partition(".")[0] in devices)
        return AsWired(circuit, there, wires, self.faults)

    def only_kinds(self, *kinds: str) -> AsWired:
        """The same skid with the parts of some kinds alone in its box."""
        parts = tuple(p for p in self.circuit.parts if p.kind in kinds)
        return replace(self, circuit=Circuit((Block("", "", parts),)))

    @property
    def joints(self) -> list[tuple[str, str]]:
        """Pairs of nodes that the wires join: device pins ("S1.11") and nets."""
        found = [(w.pin, w.net) for w in self.wires if w not in self.faults.broken]
        found += [(w.net, "protective_earth") for w in self.faults.earthed]
        return [*found, *self.faults.joined, ("protective_earth", "zero_volts")]


def build(circuit: Circuit, wiring: Wiring) -> AsWired:
    """Wire the skid by the terminal table. A pin that the table does not lead to stays unconnected."""
    wires = tuple(
        Wire(f"{c.id}.{t.number}", pin, wiring.net_behind(t.carries))
        for c in wiring.connectors
        for t in c.terminals
        for pin in t.to
    )
    return AsWired(circuit, wiring.devices, wires)


# Contacts of a device or relay by the pin they start at: the other pin, and whether it is closed at rest.
CONTACTS = {
    "break_contact": {"11": ("12", True)},
    "make_contact": {"13": ("14", False)},
    "overload": {"95": ("96", True)},
    "relay": {"13": ("14", False), "23": ("24", False)},
}
