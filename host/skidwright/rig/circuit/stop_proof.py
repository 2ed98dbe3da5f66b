"""Does the stop chain do what it must, wired by the terminal table alone? By logic, without a simulator.

Two rules are asked of every state, sound or with one fault: K1 is out whenever something asks for it (stop
button, pressure, overload, no supply), and after any of these it stays out until RESET has been pressed.
What breaks a rule and gives no sign of itself is listed by `cannot_see`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..wiring.pin_table import markdown
from .as_wired import CONTACTS, AsWired, Faults

# Each step: what it is called, the devices held in their other position, supply there or not.
STEPS: tuple[tuple[str, frozenset[str], bool], ...] = (
    ("supply on", frozenset(), True),
    ("RESET pressed", frozenset({"S2"}), True),
    ("RESET let go", frozenset(), True),
    ("STOP pressed", frozenset({"S1"}), True),
    ("STOP let go", frozenset(), True),
    ("RESET pressed again", frozenset({"S2"}), True),
    ("RESET let go again", frozenset(), True),
    ("pressure too high", frozenset({"PS"}), True),
    ("pressure gone", frozenset(), True),
    ("RESET a third time", frozenset({"S2"}), True),
    ("RESET let go a third time", frozenset(), True),
    ("overload", frozenset({"F7"}), True),
    ("overload reset", frozenset(), True),
    ("RESET a fourth time", frozenset({"S2"}), True),
    ("RESET let go a fourth time", frozenset(), True),
    ("supply lost", frozenset(), False),
    ("supply back", frozenset(), True),
    ("RESET and STOP together", frozenset({"S1", "S2"}), True),
)
# Where K1 must be in, in a sound chain; everywhere else it must be out.
_IN = {i for i, (name, _, _) in enumerate(STEPS) if name.startswith("RESET") and "STOP" not in name}
RUNNING = 2  # the first step in which the pump runs with RESET let go
STOPPERS = ("S1", "PS", "F7")


@dataclass(frozen=True)
class ChainStep:
    """One step as it came out."""

    name: str
    k1_in: bool
    pump_live: bool
    short: bool  # a short circuit that no fuse clears


class _Nets:
    """Nodes joined to groups."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def find(self, node: str) -> str:
        while (up := self._parent.get(node, node)) != node:
            node = up
        return node

    def join(self, a: str, b: str) -> None:
        self._parent[self.find(a)] = self.find(b)

    def same(self, a: str, b: str) -> bool:
        return self.find(a) == self.find(b)


def run(skid: AsWired, since: int = 0) -> list[ChainStep]:
    """Go through the steps; relay and fuses keep their state. Faults come at step `since`."""
    blown: set[str] = set()
    k1_in = False
    out = []
    skid = skid.only_kinds("fuse", "relay")
    faulty, skid = skid, skid.with_faults(Faults())
    for i, (name, other, supply) in enumerate(STEPS):
        skid = faulty if i >= since else skid
        # A relay settles within two turns, or it hums: then it counts as in, the worse case for a stop.
        for _ in range(4):
            _blow(skid, k1_in, other, blown)
            nets = _joined(skid, k1_in, other, blown)
            now = supply and _between(skid, nets, "K1", "A1", "A2")
            if now == k1_in:
                break
            k1_in = now
        else:
            k1_in = True
        live = supply and nets.same("M1.1", "v24") and nets.same("M1.2", "pump")
        short = supply and nets.same("v24", "zero_volts")
        out.append(ChainStep(name, k1_in, live, short))
    return out


def _relay_pin(skid: AsWired, ref: str, pin: str) -> str:
    return next(p.pins[pin] for p in skid.circuit.parts if p.ref == ref)


def _between(skid: AsWired, nets: _Nets, ref: str, high: str, low: str) -> bool:
    """Whether a coil has the supply across it: not when both ends are on the same side."""
    high, low = _relay_pin(skid, ref, high), _relay_pin(skid, ref, low)
    return nets.same(high, "v24") and nets.same(low, "zero_volts") and not nets.same(high, low)


def _joined(skid: AsWired, k1_in: bool, other: frozenset[str], blown: set[str]) -> _Nets:
    nets = _Nets()
    for a, b in skid.joints:
        nets.join(a, b)
    for part in skid.circuit.parts:
        if part.kind == "fuse" and part.ref not in blown:
            nets.join(part.pins["1"], part.pins["2"])
        for start, (end, _) in CONTACTS.get(part.kind, {}).items():
            if k1_in or f"{part.ref}.{start}" in skid.faults.welded:
                nets.join(part.pins[start], part.pins[end])
    for device in skid.devices:
        for start, (end, at_rest) in CONTACTS.get(device.kind, {}).items():
            closed = at_rest != (device.id in other)
            if closed or f"{device.id}.{start}" in skid.faults.welded:
                nets.join(f"{device.id}.{start}", f"{device.id}.{end}")
        if device.kind == "overload":
            nets.join(f"{device.id}.1", f"{device.id}.2")
    return nets


def _blow(skid: AsWired, k1_in: bool, other: frozenset[str], blown: set[str]) -> None:
    """Blow the fuses that a short circuit of the supply passes through."""
    if not _joined(skid, k1_in, other, blown).same("v24", "zero_volts"):
        return
    fuses = [p.ref for p in skid.circuit.parts if p.kind == "fuse" and p.ref not in blown]
    for ref in fuses:
        if not _joined(skid, k1_in, other, blown | {ref}).same("v24", "zero_volts"):
            blown.add(ref)
            return


def sound(skid: AsWired) -> list[str]:
    """What a chain without fault does wrong, in sentences; empty when it does all it must."""
    said = []
    for i, step in enumerate(run(skid)):
        if step.k1_in != (i in _IN):
            said.append(f"{step.name}: K1 is {'in' if step.k1_in else 'out'}, which it must not be")
        elif step.pump_live != step.k1_in:
            said.append(f"{step.name}: the pump {'has' if step.pump_live else 'has not'} its supply")
    return said


def against_the_rules(pump_live: Sequence[bool]) -> list[str]:
    """Which steps break one of the two rules, given whether the pump has its supply in each."""
    said, may_be_in = [], False
    for (name, other, supply), live in zip(STEPS, pump_live, strict=True):
        asked = not supply or any(d in other for d in STOPPERS)
        may_be_in = not asked and (may_be_in or "S2" in other)
        if live and not may_be_in:
            said.append(f"{name}: the pump has its supply")
    return said


def broken_rules(skid: AsWired, since: int = 0) -> list[str]:
    """Where a chain, whatever its fault, breaks a rule or burns, the fault there from step `since` on."""
    steps = run(skid, since)
    shorts = [f"{s.name}: a short circuit that no fuse clears" for s in steps if s.short]
    return against_the_rules([s.pump_live for s in steps]) + shorts


def chain_wires(skid: AsWired) -> list[str]:
    """Connectors whose wires belong to the chain, all of whose wires are tried."""
    return sorted(
        {w.terminal.partition(".")[0] for w in skid.wires if w.pin.split(".")[0] in (*STOPPERS, "S2")}
    )


def single_faults(skid: AsWired) -> Iterator[tuple[str, Faults]]:
    """Every single fault tried: each wire broken, each on earth, neighbours joined, contacts stuck."""
    wires = [w for w in skid.wires if w.terminal.partition(".")[0] in chain_wires(skid)]
    for w in wires:
        yield f"broken: {w}", Faults(broken=frozenset({w}))
        yield f"on earth: {w}", Faults(earthed=frozenset({w}))
    for a, b in zip(wires, wires[1:], strict=False):
        if a.net != b.net:
            yield f"joined: {a} and {b}", Faults(joined=((a.net, b.net),))
    for part in skid.circuit.parts:
        for start, (end, _) in CONTACTS.get(part.kind, {}).items():
            yield f"welded: {part.ref} {start}-{end}", Faults(welded=frozenset({f"{part.ref}.{start}"}))
    for device in skid.devices:
        for start, (end, _) in CONTACTS.get(device.kind, {}).items():
            yield f"welded: {device.id} {start}-{end}", Faults(welded=frozenset({f"{device.id}.{start}"}))


def cannot_see(skid: AsWired) -> dict[str, list[str]]:
    """Single faults under which the chain breaks a rule, with what then happens."""
    found = {}
    for name, faults in single_faults(skid):
        if wrong := broken_rules(skid.with_faults(faults)):
            found[name] = wrong
    return found


def stop_chain_tables(skid: AsWired) -> str:
    """What the chain does step by step, and which faults it does not see, for docs/wiring.md."""
    steps = [(s.name, "in" if s.k1_in else "out", "on" if s.pump_live else "off") for s in run(skid)]
    unseen = [(name, said[0]) for name, said in cannot_see(skid).items()]
    return "\n".join(
        [
            "### Stop chain, wired by the tables above alone",
            "",
            *markdown(("step", "K1", "pump's supply"), steps),
            "",
            "Faults that it does not see, and what is wrong first:",
            "",
            *markdown(("fault", "then"), unseen),
            "",
        ]
    )
